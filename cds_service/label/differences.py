"""What changes from one content to another, in words, and for whom.

For those who decide about an edition or an adaptation: first what was declared with reason and
source, then what follows from it (classes, treatment, doses, numbers, words), then how many of a
fixed set of sampled infants get another answer.
"""

from collections.abc import Iterable, Iterator, Mapping

from cds_service.content.model import Condition as When
from cds_service.content.model import FindingTest, Group, MeasureTest, Message
from cds_service.content.text import render
from cds_service.content.treatment import ClassPlan, Course, Protocol
from cds_service.engine.phrase import number, unit_name
from cds_service.label.sampled import infants_that_differ, measured_doses

Lines = dict[str, str]
"""What is compared, by name: its words."""

_KINDS = {"all": "all of", "any": "any of", "none": "none of"}


def differences(old: Protocol, new: Protocol) -> Iterator[str]:
    """The report, line by line."""
    yield f"From {old.name} to {new.name}"
    yield from _section("Declared", _declared(old, new))
    yield from _section("Classes", _compared(_rows(old), _rows(new)))
    yield from _section("Treatment and visits", _compared(_plans(old), _plans(new)))
    yield from _section("Doses (first choice in stock)", _compared(*_doses(old, new)))
    yield from _section("Numbers", _compared(_numbers(old), _numbers(new)))
    yield from _section("Words", _compared(dict(old.texts), dict(new.texts)))
    yield from _section("Sampled infants", infants_that_differ(old, new))


def _section(title: str, lines: Iterable[str]) -> Iterator[str]:
    found = list(lines)
    yield ""
    yield title
    yield from (f"  {line}" for line in found or ["no difference"])


def _declared(old: Protocol, new: Protocol) -> Iterator[str]:
    """The changes that the layers of one side name and those of the other do not."""
    before = [layer for layer in (old.edition, old.adaptation) if layer is not None]
    after = [layer for layer in (new.edition, new.adaptation) if layer is not None]
    for what, layers, others in (("without", before, after), ("with", after, before)):
        for layer in layers:
            if layer not in others:
                yield f"{what} {layer.title}:"
                for change in layer.changes:
                    source = ", ".join(change.sources) or "no source"
                    yield f"  {change.place}: {change.reason} ({source}; {change.evidence})"


def _compared(old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[str]:
    """Each thing that is there on one side only, or in other words."""
    for name in (*old, *(name for name in new if name not in old)):
        before, after = old.get(name), new.get(name)
        if before == after:
            continue
        yield f"{name}:"
        yield f"  was  {before or 'not there'}"
        yield f"  is   {after or 'not there'}"


def _doses(old: Protocol, new: Protocol) -> tuple[Lines, Lines]:
    """What is measured; ages with the same doses in both contents are told together."""
    before, after = measured_doses(old), measured_doses(new)
    ages: dict[tuple[str, str, str], list[int]] = {}
    for medicine, age in (*before, *(key for key in after if key not in before)):
        words = before.get((medicine, age), ""), after.get((medicine, age), "")
        ages.setdefault((medicine, *words), []).append(age)
    names = {key: f"{key[0]}, age {', '.join(map(str, days))} days" for key, days in ages.items()}
    return {names[key]: key[1] for key in ages}, {names[key]: key[2] for key in ages}


def _rows(protocol: Protocol) -> Lines:
    found: Lines = {}
    for table in protocol.tables:
        whom = "" if table.when is None else f"only if {_told(table.when, protocol)}: "
        for row in table.rows:
            when = "no row above holds" if row.when is None else _told(row.when, protocol)
            hurry = " [needs hospital care]" if row.severe else ""
            found[_name(protocol, "class", row.code)] = f"{whom}{when}{hurry}"
    return found


def _told(when: When, protocol: Protocol) -> str:
    """A condition in words."""
    if isinstance(when, FindingTest):
        kind, _, code = when.code.partition(".")
        name = (
            _text(protocol, Message(f"test.{kind}", (("class", Message(f"class.{code}")),)))
            if code
            else _name(protocol, "sign", when.code)
        )
        return name if when.expect.value == "yes" else f"not: {name}"
    if isinstance(when, MeasureTest):
        limit = f"{number(when.limit.value)} {unit_name(when.limit.unit)}"
        name = _name(protocol, "measure", when.measure)
        twice = " on both counts" if when.confirmed else ""
        return f"{name} {_text(protocol, Message(f'op.{when.op}'))} {limit}{twice}"
    return _told_group(when, protocol)


def _told_group(group: Group, protocol: Protocol) -> str:
    items = [_told(item, protocol) for item in group.items]
    if len(items) == 1 and group.kind in ("all", "any"):
        return items[0]
    kind = _KINDS.get(group.kind) or f"at least {group.count} of"
    return f"{kind} ({'; '.join(items)})"


def _plans(protocol: Protocol) -> Lines:
    found: Lines = {}
    for plan in protocol.plans:
        name = _name(protocol, "class", plan.code)
        found[f"{name}, referral"] = plan.referral
        found[f"{name}, before referral"] = _courses(plan.before_referral, protocol)
        for regimen in plan.regimens:
            here = f"{name}, {regimen.code}"
            found[f"{here}, medicines"] = _courses(regimen.courses, protocol)
            visits = (f"{each.code} day +{number(each.after.value)}" for each in regimen.visits)
            found[f"{here}, visits"] = "; ".join(visits) or "none"
        found[f"{name}, cautions"] = "; ".join(_cautions(plan)) or "none"
    found["general cautions"] = "; ".join(each.code for each in protocol.cautions) or "none"
    for medicine in protocol.medicines:
        said = "; ".join(each.code for each in medicine.cautions) or "none"
        found[f"{_name(protocol, 'medicine', medicine.code)}, cautions"] = said
        forms = (_name(protocol, "formulation", code) for code in medicine.prefer)
        found[f"{_name(protocol, 'medicine', medicine.code)}, in use"] = "; ".join(forms)
    return found


def _cautions(plan: ClassPlan) -> Iterator[str]:
    for each in (*plan.cautions, *(one for regimen in plan.regimens for one in regimen.cautions)):
        yield each.code


def _courses(courses: Iterable[Course], protocol: Protocol) -> str:
    return "; ".join(_course(course, protocol) for course in courses) or "none"


def _course(course: Course, protocol: Protocol) -> str:
    names = " or ".join(_name(protocol, "medicine", code) for code in course.medicines)
    if course.days is None:
        return f"{names} once"
    least = "at least " if course.at_least else ""
    return f"{names} for {least}{number(course.days.value)} days"


def _numbers(protocol: Protocol) -> Lines:
    limits = protocol.weight_limits
    named = {name: getattr(limits, name) for name in limits.__slots__ if name != "cite"}
    own = ("age_below", "visit_length", "course_gap", "deviation_note")
    named |= {name: getattr(protocol, name) for name in (*own, "deviation_high", "deviation_low")}
    named |= dict(protocol.values)
    return {
        name.replace("_", " "): f"{number(each.value)} {unit_name(each.unit)}"
        for name, each in named.items()
    }


def _name(protocol: Protocol, kind: str, code: str) -> str:
    return _text(protocol, Message(f"{kind}.{code}"))


def _text(protocol: Protocol, message: Message) -> str:
    return render(protocol, message)
