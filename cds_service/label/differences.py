"""What changes from one content to another, in words, and for whom.

For those who decide about an edition or an adaptation: first everything that was declared, with
reason and source; then what follows from it for classes, treatment, doses, numbers and words; then
how many of a fixed set of sampled infants get another answer.
"""

from collections.abc import Iterable, Iterator
from dataclasses import fields

from cds_service.content.model import Condition as When
from cds_service.content.model import FindingTest, Group, MeasureTest, Message
from cds_service.content.plans import ClassPlan, Course
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.engine.phrase import number, unit_name
from cds_service.label.sampled import doses_that_differ, infants_that_differ

Lines = dict[str, tuple[str, ...]]
"""What is compared, by name: its parts in words."""

_KINDS = {"all": "all of", "any": "any of", "none": "none of"}


def differences(old: Protocol, new: Protocol) -> Iterator[str]:
    """The report, line by line."""
    yield f"From {old.name} to {new.name}"
    yield from _section("Declared", _declared(old, new))
    yield from _section("Classes", _compared(_rows(old), _rows(new)))
    yield from _section("Treatment and visits", _compared(_plans(old), _plans(new)))
    yield from _section("Doses (first choice in stock)", doses_that_differ(old, new))
    yield from _section("Numbers", _compared(_numbers(old), _numbers(new)))
    yield from _section("Words", _compared(_words(old), _words(new)))
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
                    yield f"  {change.place}:"
                    yield f"    {change.was or 'not there'} -> {change.now or 'not there'}"
                    source = ", ".join(change.sources)
                    yield f"    because: {change.reason} ({source}; {change.evidence})"


def _compared(old: Lines, new: Lines) -> Iterator[str]:
    """Each thing that is there on one side only, or in other words; of its parts only those."""
    for name in (*old, *(name for name in new if name not in old)):
        before, after = old.get(name, ()), new.get(name, ())
        if before == after:
            continue
        gone = [part for part in before if part not in after]
        come = [part for part in after if part not in before]
        yield f"{name}:"
        if not gone and not come:
            gone, come = list(before), list(after)  # only their order has changed
        yield f"  was  {'; '.join(gone) or 'not there'}"
        yield f"  is   {'; '.join(come) or 'not there'}"
        if same := len(before) - len(gone):
            yield f"  and  {same} as before"


def _rows(protocol: Protocol) -> Lines:
    found: Lines = {}
    for table in protocol.tables:
        whom = () if table.when is None else (f"only if {_told(table.when, protocol)}",)
        for row in table.rows:
            name = _name(protocol, "class", row.code)
            hurry = ("needs hospital care",) if row.severe else ()
            if isinstance(row.when, Group):
                name = f"{name}, {_kind(row.when)}"
                when = tuple(_told(item, protocol) for item in row.when.items)
            else:
                when = ("no row above holds",) if row.when is None else (_told(row.when, protocol),)
            found[name] = (*whom, *when, *hurry)
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
    return f"{_kind(group)} ({'; '.join(items)})"


def _kind(group: Group) -> str:
    return _KINDS.get(group.kind) or f"at least {group.count} of"


def _plans(protocol: Protocol) -> Lines:
    found: Lines = {}
    for plan in protocol.plans:
        name = _name(protocol, "class", plan.code)
        found[f"{name}, referral"] = (plan.referral,)
        found[f"{name}, before referral"] = _courses(plan.before_referral, protocol)
        found[f"{name}, care"] = tuple(each.code for each in plan.care)
        for regimen in plan.regimens:
            here = f"{name}, {regimen.code}"
            found[f"{here}, medicines"] = _courses(regimen.courses, protocol)
            visits = (f"{each.code} day +{number(each.after.value)}" for each in regimen.visits)
            found[f"{here}, visits"] = tuple(visits)
        found[f"{name}, cautions"] = tuple(_cautions(plan))
    found["general cautions"] = tuple(each.code for each in protocol.cautions)
    for medicine in protocol.medicines:
        name = _name(protocol, "medicine", medicine.code)
        found[f"{name}, cautions"] = tuple(each.code for each in medicine.cautions)
        forms = (_name(protocol, "formulation", each.code) for each in medicine.formulations)
        found[f"{name}, in use"] = tuple(forms)
    return found


def _cautions(plan: ClassPlan) -> Iterator[str]:
    for each in (*plan.cautions, *(one for regimen in plan.regimens for one in regimen.cautions)):
        yield each.code


def _courses(courses: Iterable[Course], protocol: Protocol) -> tuple[str, ...]:
    return tuple(_course(course, protocol) for course in courses)


def _course(course: Course, protocol: Protocol) -> str:
    names = " or ".join(_name(protocol, "medicine", code) for code in course.medicines)
    if course.days is None:
        return f"{names} once"
    least = "at least " if course.at_least else ""
    return f"{names} for {least}{number(course.days.value)} days"


def _numbers(protocol: Protocol) -> Lines:
    limits = protocol.weight_limits
    names = [each.name for each in fields(limits) if each.name != "cite"]
    named = {name: getattr(limits, name) for name in names}
    own = ("age_below", "visit_length", "course_gap", "deviation_note")
    far = ("deviation_high", "deviation_low", "order_high", "order_low")
    named |= {name: getattr(protocol, name) for name in (*own, *far)}
    named |= dict(protocol.values)
    return {
        name.replace("_", " "): (f"{number(each.value)} {unit_name(each.unit)}",)
        for name, each in named.items()
    }


def _words(protocol: Protocol) -> Lines:
    return {key: (text,) for key, text in protocol.texts}


def _name(protocol: Protocol, kind: str, code: str) -> str:
    return _text(protocol, Message(f"{kind}.{code}"))


def _text(protocol: Protocol, message: Message) -> str:
    return render(protocol, message)
