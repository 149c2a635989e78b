"""The cautions of a plan: what the content says with its classes, and what was noticed."""

from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from cds_service.case import Origin
from cds_service.content.memo import once
from cds_service.content.model import Message
from cds_service.content.plans import PlanCaution
from cds_service.engine.assessment_model import Assessment, Caution
from cds_service.engine.conditions import holds
from cds_service.engine.facts import Facts
from cds_service.engine.injections import injections_here, is_injection_due, is_only_left
from cds_service.engine.medication import Medication
from cds_service.engine.phrase import day, days
from cds_service.engine.situation import Managed, Situation
from cds_service.engine.words import listed, said

_SEVERITIES = ("high", "moderate", "low")


def plan_cautions(
    facts: Facts,
    assessment: Assessment,
    situation: Situation,
    given: Medication,
    noticed: tuple[Caution, ...],
) -> tuple[Caution, ...]:
    """Every caution, the gravest first: of the content, then `noticed` (medicines and fluids).

    `given` is what the content's cautions depend on.
    """
    own = _shown(facts.protocol.cautions, facts)
    if situation.very_low_weight:
        own += [_plan_caution(each, facts) for each in facts.protocol.low_weight.cautions]
    for item in situation.managed:
        own += _of_item(item, item.plan.cautions, facts, given)
        if situation.treats_here and item.regimen is not None and not situation.too_light_to_dose:
            own += _of_item(item, item.regimen.cautions, facts, given)
        if item.held.open_above:
            own.append(_unfinished(item.held.open_above, referred=situation.refers))
        if item.care_only and situation.treats_here and not _absorbed(item, assessment):
            own.append(Caution("course-waits", "moderate", Message("caution.course-waits")))
    return tuple(sorted(_merged((*own, *noticed, *assessment.cautions), facts), key=_gravity))


def _gravity(caution: Caution) -> int:
    return _SEVERITIES.index(caution.severity)


def _merged(cautions: Iterable[Caution], facts: Facts) -> Iterator[Caution]:
    """Each once, in their order: what is said in the same words of several resources names all."""
    every: dict[Caution, dict[Origin, None]] = {}  # thousands may be sent
    for caution in cautions:
        alike = _with_action(caution, facts)._replace(origins=())
        every.setdefault(alike, {}).update(dict.fromkeys(caution.origins))
    return (alike._replace(origins=tuple(origins)) for alike, origins in every.items())


def _with_action(caution: Caution, facts: Facts) -> Caution:
    key = f"action.{caution.code}"
    if caution.action is not None or key not in facts.protocol.text_by_key:
        return caution
    return caution._replace(action=Message(key))


def _shown(cautions: tuple[PlanCaution, ...], facts: Facts) -> list[Caution]:
    return [
        _plan_caution(each, facts)
        for each in cautions
        if each.when is None or holds(each.when, facts)
    ]


def _of_item(
    item: Managed, cautions: tuple[PlanCaution, ...], facts: Facts, given: Medication
) -> Iterator[Caution]:
    """Cautions of a class or its regimen that hold with what is given."""
    for each in cautions:
        if each.when is not None and not holds(each.when, facts):
            continue
        if each.only_left and not is_only_left(each.only_left, item, given):
            continue
        if each.due_after is not None:
            today = facts.case.as_of.date()
            yield _on_a_day(each, int(each.due_after.value), today, item.since)
        elif not each.injections:
            yield _plan_caution(each, facts)
        elif each.injections == "here":
            yield from _injections_here(each, facts, given)
        elif is_injection_due(facts, given) == (each.injections == "due"):
            yield _plan_caution(each, facts)


def _injections_here(caution: PlanCaution, facts: Facts, given: Medication) -> Iterator[Caution]:
    if told := injections_here(facts, given):
        message = Message(f"caution.{caution.code}", (("injections", listed(told)),))
        yield Caution(caution.code, caution.severity, message)


def _plan_caution(caution: PlanCaution, facts: Facts) -> Caution:
    return once(facts.protocol.made, "caution", caution, _in_words)


def _on_a_day(caution: PlanCaution, after: int, today: date, since: date | None) -> Caution:
    """What is due so many days after the treatment began: on its day, today, or before today."""
    on = (since or today) + timedelta(days=after)
    kind = "caution" if on > today else "today" if on == today else "past"
    values = (("date", day(on)), ("after", days(after)))
    return Caution(caution.code, caution.severity, Message(f"{kind}.{caution.code}", values))


def _in_words(caution: PlanCaution) -> Caution:
    values = tuple((name, said(value)) for name, value in caution.values)
    return Caution(caution.code, caution.severity, Message(f"caution.{caution.code}", values))


def _unfinished(rows: tuple[str, ...], *, referred: bool) -> Caution:
    """What is not ruled out yet; an urgent referral does not wait for it."""
    names = listed(tuple(Message(f"class.{code}") for code in rows))
    key = "meanwhile.not-ruled-out" if referred else "caution.finish-the-assessment"
    return Caution("finish-the-assessment", "high", Message(key, (("rows", names),)))


def _absorbed(item: Managed, assessment: Assessment) -> bool:
    return any(assessment.holds(code) for code in item.plan.absorbed_by)
