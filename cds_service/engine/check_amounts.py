"""The amount of a drafted order against the dose that is due, as what is contained in both."""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.check_model import DraftOrder, Fault
from cds_service.engine.dose_notes import printed
from cds_service.engine.facts import Facts
from cds_service.engine.instructions import instructions
from cds_service.engine.model import Dose, NoDose, Order
from cds_service.engine.ordered import agrees, due_of_each
from cds_service.engine.orders import packs
from cds_service.engine.past import past
from cds_service.engine.phrase import amount, is_running
from cds_service.quantity import Quantity, convertible

_CODES = {"allergy": "allergy", "no-weight": "no-weight", "not-offered": "not-offered"}


def due_dates(draft: DraftOrder, order: Order | None, facts: Facts) -> date:
    """The day whose rule counts: the first of the course that the draft belongs to.

    Of a medicine whose dose follows the age of each day it is the day of the next dose.
    """
    today = facts.case.as_of.date()
    if facts.protocol.medicine_by_code[draft.medicine].each_day:
        return today if order is None else order.first_due.date()
    if order is not None and not is_running(order):
        return today
    kept = past(draft.medicine, facts).kept
    return kept[-1].date() if kept else today


def amount_faults(
    draft: DraftOrder,
    medicine: Medicine,
    began: date,
    facts: Facts,
    kg: Decimal | None,
    why_no_weight: Message,
) -> Iterator[Fault]:
    """What is wrong with the amount, or why it cannot be judged."""
    doses = list(due_of_each(medicine, began, facts, kg))
    due = [each for each in doses if isinstance(each, Dose)]
    if not due:
        refused = next(each for each in doses if isinstance(each, NoDose))
        yield _refused(refused, why_no_weight)
        return
    if draft.unclear and {"dose", "dosage", "rules"} & set(draft.unclear):
        return
    form = _form(draft, medicine)
    held = _held(draft, form)
    if held is None:
        yield from _cannot_compare(draft, form)
        return
    if form is None:
        yield Fault("form-unknown", "moderate", Message("check.form-unknown"))
    own = [each for each in due if form is None or each.formulation.code == form.code]
    yield from _contradiction(draft, form, facts.protocol)
    yield from _deviation(held, own, facts.protocol)


def _refused(no: NoDose, why_no_weight: Message) -> Fault:
    """Why the protocol has no dose; an allergy or a contraindication forbids the medicine."""
    if no.code == "no-weight":
        return Fault("no-weight", "high", why_no_weight)
    if no.severity:
        return Fault("contraindicated", "high", no.reason)
    severity = "moderate" if no.code == "not-offered" else "high"
    return Fault(_CODES.get(no.code, "no-dose"), severity, no.reason)


def _form(draft: DraftOrder, medicine: Medicine) -> Formulation | None:
    return medicine.formulation(draft.formulation) if draft.formulation else None


def _held(draft: DraftOrder, form: Formulation | None) -> Quantity | None:
    """What is in one dose: as the order says it, else by the strength of the product."""
    if draft.contained is not None:
        return draft.contained
    if draft.amount is None or form is None or not convertible(draft.amount.unit, form.per.unit):
        return None
    # Of what is made up or diluted first, a volume alone may be meant before or after that.
    return None if form.dilute is not None else form.contained(draft.amount)


def _cannot_compare(draft: DraftOrder, form: Formulation | None) -> Iterator[Fault]:
    if form is not None and form.dilute is not None and draft.amount is not None:
        yield Fault("dilution-unclear", "high", Message("check.dilution-unclear"))
    elif draft.amount is None or form is not None:
        yield Fault("dose-missing", "moderate", Message("check.dose-missing"))
    else:
        yield Fault("form-unknown", "moderate", Message("check.product-needed"))


def _contradiction(
    draft: DraftOrder, form: Formulation | None, protocol: Protocol
) -> Iterator[Fault]:
    """Said when the amount of the product and the content that the order names do not agree."""
    if draft.amount is None or draft.contained is None or form is None:
        return
    if not convertible(draft.amount.unit, form.per.unit):
        return
    held = form.contained(draft.amount)
    if not convertible(held.unit, draft.contained.unit):
        return
    share = draft.contained.to(held.unit).value / held.value
    if agrees(share, protocol):
        return
    values = (("held", _content(held)), ("given", _content(draft.contained)))
    yield Fault("dose-contradicts", "high", Message("check.dose-contradicts", values))


def _deviation(held: Quantity, due: list[Dose], protocol: Protocol) -> Iterator[Fault]:
    """Said when the content lies too far from that of the due dose of every product."""
    comparable = [each for each in due if convertible(held.unit, each.contained.unit)]
    if not comparable:
        yield Fault("dose-missing", "moderate", Message("check.dose-missing"))
        return
    shares = [(_share(held, each), each) for each in comparable]
    share, nearest = min(shares, key=lambda each: abs(each[0] - 1))
    if agrees(share, protocol):
        return
    code = "dose-too-high" if share > 1 else "dose-too-low"
    percent = f"{abs(share - 1) * 100:.0f} %"
    values = (
        ("given", _content(held)),
        ("due", _content(nearest.contained)),
        ("percent", percent),
    )
    grave = _is_grave(share, protocol)
    yield Fault(code, "high" if grave else "moderate", Message(f"check.{code}", values))


def _share(held: Quantity, dose: Dose) -> Decimal:
    return held.to(dose.contained.unit).value / dose.contained.value


def _is_grave(share: Decimal, protocol: Protocol) -> bool:
    """Whether it is as far off as would stop a course that runs."""
    low, high = protocol.deviation_low.value / 100, protocol.deviation_high.value / 100
    return not 1 - low <= share <= 1 + high


def _content(quantity: Quantity) -> Message:
    return amount(Quantity(printed(quantity.value), quantity.unit))


def in_its_product(
    draft: DraftOrder,
    order: Order | None,
    medicine: Medicine,
    began: date,
    facts: Facts,
    kg: Decimal | None,
) -> Order | None:
    """The plan's order in the product of the draft; None when that is not known or has no dose."""
    if order is None or not draft.formulation:
        return None
    if order.dose.formulation.code == draft.formulation:
        return order
    doses = due_of_each(medicine, began, facts, kg)
    fitting = (
        _given_as(order, each, facts)
        for each in doses
        if isinstance(each, Dose) and each.formulation.code == draft.formulation
    )
    return next(fitting, None)


def _given_as(order: Order, dose: Dose, facts: Facts) -> Order:
    """The same order in another product."""
    to_give = None if order.days is None else order.doses
    return order._replace(
        dose=dose,
        packs=packs(dose, order.doses, order.times_a_day),
        instructions=instructions(dose, to_give, facts.protocol, at_least=order.goes_on),
    )
