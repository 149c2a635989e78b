"""Medicines that are said to be in use: what is said of them is held against what would be due.

An order that runs and says for how long is a course (`courses`). What is left here are statements
(a caregiver, another clinic or a shop gives it) and orders that do not say enough to be counted.
No second order is written beside them (clinical content, section 3: one medicine, one order), and
nobody is told to go on with a dose that nobody has looked at.
"""

from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal

from cds_service.case import MedicineInUse
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution
from cds_service.engine.courses import is_old, is_running
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose, NoDose, RunningCourse
from cds_service.engine.ordered import differences, due_of_each, shares, told_due
from cds_service.engine.past import past
from cds_service.engine.phrase import amount, times

SAID_TO_BE_GIVEN = "said-to-be-given"
IN_USE_TOO_HIGH = "in-use-too-high"


def already(medicine: Medicine, facts: Facts, kg: Decimal | None, since: date | None) -> NoDose:
    """That no order is written beside what is in use, with what would be due."""
    uses = _running(medicine, facts, since)
    due, _ = _due(medicine, facts, kg)
    is_ordered = any(use.ordered for use in uses)
    code = "already-being-given" if is_ordered else SAID_TO_BE_GIVEN
    values = (
        _name(medicine),
        ("due", due),
        ("times", times(int(medicine.times_a_day.value))),
        *(() if is_ordered else (("reported", _reported(uses)),)),
    )
    return NoDose(medicine.code, code, Message(f"no-dose.{code}", values))


def holds_back(medicine: Medicine, facts: Facts, since: date | None) -> bool:
    """Whether a statement alone stands against an order: no dose of it is recorded by its time.

    Where doses are recorded they say what was given, and the rest is worked out from them.
    """
    ordered = any(use.ordered for use in _running(medicine, facts, since))
    return ordered or not past(medicine.code, facts, since).kept


def _running(medicine: Medicine, facts: Facts, since: date | None) -> list[MedicineInUse]:
    uses = (use for use in facts.case.in_use if use.medicine == medicine.code)
    return [use for use in uses if not is_old(use, since, facts)]


def in_use_cautions(
    facts: Facts, kg: Decimal | None, courses: Iterable[RunningCourse], said: Iterable[Caution]
) -> Iterator[Caution]:
    """What is said to be in use without an order, otherwise than due, or against what forbids it.

    `said`: cautions that are told already.
    """
    if not facts.case.in_use:
        return
    ordered = {use.medicine for use in facts.case.in_use if use.ordered and is_running(use, facts)}
    told = {each.medicine for each in said if each.code == f"no-dose-{SAID_TO_BE_GIVEN}"}
    counted = {course.medicine for course in courses if course.ordered}
    for code in sorted({use.medicine for use in facts.case.in_use}):
        medicine = facts.protocol.medicine_by_code[code]
        uses = [each for each in facts.case.in_use if each.medicine == code]
        stated = [each for each in uses if not each.ordered]
        if code in counted:
            yield from _differing(stated, medicine, facts, kg)
            continue
        running = [each for each in uses if is_running(each, facts)]
        against = [] if not running else [*_against(medicine, running, facts, kg)]
        yield from against or _differing(running, medicine, facts, kg)
        if stated and not against and code not in ordered | told:
            values = (_name(medicine), ("reported", _reported(stated)))
            yield _caution("in-use-unordered", "moderate", stated, values)


def _due(medicine: Medicine, facts: Facts, kg: Decimal | None) -> tuple[Message, NoDose | None]:
    """What would be due today of the product that is there, and why it may not be given at all."""
    each = list(due_of_each(medicine, facts.case.as_of.date(), facts, kg))
    doses = [dose for dose in each if isinstance(dose, Dose)]
    if doses:
        return told_due(doses, facts), None
    without = (no for no in each if isinstance(no, NoDose))
    never = next((no for no in without if no.severity or no.code == "allergy"), None)
    return Message("given.due-unknown"), never


def _against(
    medicine: Medicine, uses: list[MedicineInUse], facts: Facts, kg: Decimal | None
) -> Iterator[Caution]:
    _, never = _due(medicine, facts, kg)
    if never is not None:
        reason = ("why", never.reason)
        yield _caution("in-use-forbidden", "high", uses, (_name(medicine), reason))


def _differing(
    uses: list[MedicineInUse], medicine: Medicine, facts: Facts, kg: Decimal | None
) -> Iterator[Caution]:
    for use in uses:
        began = (use.since or facts.case.as_of).date()
        found = [*differences(use, medicine, began, None, facts, kg), *_too_seldom(use, medicine)]
        if found:
            reported, due = (_together(each) for each in zip(*found, strict=True))
            values = (_name(medicine), ("reported", reported), ("due", due))
            more = _is_more(use, medicine, began, facts, kg)
            code = IN_USE_TOO_HIGH if more else "in-use-differs"
            yield _caution(code, "high", [use], values)


def _is_more(
    use: MedicineInUse, medicine: Medicine, began: date, facts: Facts, kg: Decimal | None
) -> bool:
    """Whether it is more than due: too often, or too much in whatever product it may be."""
    if use.a_day is not None and use.a_day > int(medicine.times_a_day.value):
        return True
    if use.amount is None:
        return False
    due = [each for each in due_of_each(medicine, began, facts, kg) if isinstance(each, Dose)]
    may_be = [each for each in due if use.formulation in ("", each.formulation.code)]
    # Without a dose to compare with it is the ceiling that was passed.
    found = [share for each in may_be for share in shares(use.amount, each)]
    return all(share > 1 for share in found)


def _too_seldom(use: MedicineInUse, medicine: Medicine) -> Iterator[tuple[Message, Message]]:
    """How often, where that is less than due; more than due is told by `differences`."""
    usual = int(medicine.times_a_day.value)
    if use.a_day is not None and use.a_day < usual:
        yield times(use.a_day), times(usual)


def _together(parts: tuple[Message, ...]) -> Message:
    """An amount, how often, or both."""
    if len(parts) == 1:
        return parts[0]
    return Message("in-use.amount", tuple(zip(("amount", "times"), parts, strict=True)))


def _reported(uses: list[MedicineInUse]) -> Message:
    """How much and how often, of the first of them that says how much."""
    use = next((each for each in uses if each.amount is not None), uses[0])
    if use.amount is None:
        return Message("in-use.no-amount")
    if use.a_day is None:
        return amount(use.amount)
    return Message("in-use.amount", (("amount", amount(use.amount)), ("times", times(use.a_day))))


def _name(medicine: Medicine) -> tuple[str, str | Message]:
    return "medicine", Message(f"medicine.{medicine.code}")


def _caution(
    code: str,
    severity: str,
    uses: list[MedicineInUse],
    values: tuple[tuple[str, str | Message], ...],
) -> Caution:
    origins = tuple(use.origin for use in uses)
    message = Message(f"caution.{code}", values)
    return Caution(code, severity, message, origins, medicine=uses[0].medicine)
