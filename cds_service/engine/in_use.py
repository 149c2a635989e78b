"""Medicines that are said to be in use: what is said of them is held against what would be due.

An order that runs and says for how long is a course (`courses`). What is left here are statements
(a caregiver, another clinic or a shop gives it) and orders that do not say enough to be counted.
No second order is written beside them (clinical content, section 3: one medicine, one order), and
nobody is told to go on with a dose that nobody has looked at.
"""

from collections.abc import Iterable, Iterator
from datetime import date
from decimal import Decimal

from cds_service.case import Answer, MedicineInUse
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution
from cds_service.engine.conditions import evaluate
from cds_service.engine.courses import in_use, kind
from cds_service.engine.dose import make_dose, not_met, unsafe_next
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose, NoDose, Order, RunningCourse
from cds_service.engine.ordered import differences, due_of_each, shares, told_due
from cds_service.engine.past import Past
from cds_service.engine.phrase import amount, times

SAID_TO_BE_GIVEN = "said-to-be-given"
IN_USE_TOO_HIGH = "in-use-too-high"
_ON_ORDER = "already-being-given"


def already(
    uses: list[MedicineInUse], medicine: Medicine, facts: Facts, kg: Decimal | None
) -> NoDose:
    """That no order is written beside what is in use, with what would be due."""
    made = _doses(medicine, facts.case.as_of.date(), facts, kg)
    due = told_due(made, facts) if made else Message("given.due-unknown")
    told = (_name(medicine), ("due", due), ("times", times(int(medicine.times_a_day.value))))
    origins = tuple(use.origin for use in uses)
    if any(use.ordered for use in uses):
        reason = Message(f"no-dose.{_ON_ORDER}", told)
        return NoDose(medicine.code, _ON_ORDER, reason, origins=origins)
    reason = Message(f"no-dose.{SAID_TO_BE_GIVEN}", (*told, ("reported", _reported(uses))))
    return NoDose(medicine.code, SAID_TO_BE_GIVEN, reason, origins=origins)


def holds_back(uses: list[MedicineInUse], record: Past) -> bool:
    """Whether what is in use stands against an order for the rest.

    A statement does not where doses are recorded: they say what was given.
    """
    return any(use.ordered for use in uses) or not record.kept


def in_use_cautions(
    facts: Facts,
    kg: Decimal | None,
    courses: Iterable[RunningCourse],
    orders: Iterable[Order],
    said: Iterable[Caution],
) -> Iterator[Caution]:
    """What is said to be in use without an order, otherwise than due, or against what forbids it.

    `orders` and `said` are what is ordered and told already.
    """
    told = {each.medicine for each in said if each.code == f"no-dose-{SAID_TO_BE_GIVEN}"}
    counted = {course.medicine for course in courses if course.ordered}
    for code in sorted({use.medicine for use in facts.case.in_use}):
        medicine = facts.protocol.medicine_by_code[code]
        uses = in_use(medicine, facts)
        stated = [each for each in uses if not each.ordered]
        if code in counted:  # of the order itself its course is told
            yield from _differing(stated, medicine, facts, kg)
        elif uses:
            yield from _uncounted(uses, medicine, facts, kg, is_told=code in told)
            yield from _beside(stated, medicine, orders, facts)


def _uncounted(
    uses: list[MedicineInUse],
    medicine: Medicine,
    facts: Facts,
    kg: Decimal | None,
    *,
    is_told: bool,
) -> Iterator[Caution]:
    against = _against(uses, medicine, facts, kg)
    if against is not None:
        yield against
        return
    differing = [*_differing(uses, medicine, facts, kg)]
    yield from differing
    if not (differing or is_told or any(use.ordered for use in uses)):
        values = (_name(medicine), ("reported", _reported(uses)))
        yield _caution("in-use-unordered", "moderate", uses, values)


def _against(
    uses: list[MedicineInUse], medicine: Medicine, facts: Facts, kg: Decimal | None
) -> Caution | None:
    """That an allergy, a contraindication or a condition that is not met forbids the next dose."""
    dose = make_dose(medicine, facts, kg)
    no = dose if isinstance(dose, NoDose) and _is_forbidden(dose, medicine, facts) else None
    no = no or unsafe_next(medicine, facts.case.as_of, facts)
    if no is None:
        return None
    found = _caution("in-use-forbidden", "high", uses, (_name(medicine), ("why", no.reason)))
    return found._replace(action=not_met(no))


def _is_forbidden(no: NoDose, medicine: Medicine, facts: Facts) -> bool:
    offered = medicine.offered_when
    never = offered is not None and evaluate(offered, facts) is Answer.NO
    return never or bool(no.severity) or no.code == "allergy"


def _beside(
    stated: list[MedicineInUse], medicine: Medicine, orders: Iterable[Order], facts: Facts
) -> Iterator[Caution]:
    """That another medicine of its kind is ordered."""
    codes = dict.fromkeys(order.dose.medicine.code for order in orders if stated)
    for code in codes:
        other = facts.protocol.medicine_by_code[code]
        if code != medicine.code and kind(other) == kind(medicine):
            values = (_name(medicine), ("other", Message(f"medicine.{code}")))
            yield _caution("in-use-beside", "high", stated, values)


def _doses(medicine: Medicine, on: date, facts: Facts, kg: Decimal | None) -> list[Dose]:
    """What would be due of each product, of a course that began on that day."""
    each = due_of_each(medicine, on, facts, kg)
    return [dose for dose in each if isinstance(dose, Dose)]


def _differing(
    uses: list[MedicineInUse], medicine: Medicine, facts: Facts, kg: Decimal | None
) -> Iterator[Caution]:
    for use in uses:
        began = _began(use, facts)
        found = [*differences(use, medicine, began, None, facts, kg), *_too_seldom(use, medicine)]
        if found:
            reported, due = (_together(each) for each in zip(*found, strict=True))
            values = (_name(medicine), ("reported", reported), ("due", due))
            more = _is_more(use, medicine, _doses(medicine, began, facts, kg))
            code = IN_USE_TOO_HIGH if more else "in-use-differs"
            yield _caution(code, "high", [use], values)


def _began(use: MedicineInUse, facts: Facts) -> date:
    """The first day, where that is said and was not before the birth; else today."""
    today = facts.case.as_of.date()
    if use.since is None or facts.age is None:
        return today
    began = use.since.date()
    return began if (today - began).days <= facts.age.high else today


def _is_more(use: MedicineInUse, medicine: Medicine, due: list[Dose]) -> bool:
    """Whether it is more than due: too often, or too much in whatever product it may be."""
    if use.a_day is not None and use.a_day > int(medicine.times_a_day.value):
        return True
    if use.amount is None:
        return False
    may_be = [each for each in due if use.formulation in ("", each.formulation.code)]
    # Without a dose to compare with it is the ceiling that was passed.
    return all(share > 1 for each in may_be for share in shares(use.amount, each))


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
