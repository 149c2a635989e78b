"""Doses that are recorded as given and held far more than was due: never passed over in silence.

Clinical content, section 4: no single dose above the ceiling, nor above the hard maximum per
kilogram; section 3: rule, age and weight of treatment day 1 hold. How far is too far are the
limits of the content for orders. What holds a volume alone says no mg, and is not judged.
"""

from collections.abc import Iterator
from decimal import Decimal

from cds_service.case import GivenDose
from cds_service.content.medicine import Medicine
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution
from cds_service.engine.dose_notes import printed
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose
from cds_service.engine.ordered import due_of_each, weight_of_day_one
from cds_service.engine.past import past
from cds_service.engine.phrase import amount, moment
from cds_service.quantity import Quantity, convertible

TOO_MUCH = "dose-given-too-high"


def given_too_much(facts: Facts, kg: Decimal | None) -> Iterator[Caution]:
    """A caution for each dose of this illness that held more than was due."""
    for dose in facts.case.given:
        if dose.contained is None:
            continue
        medicine = facts.protocol.medicine_by_code[dose.medicine]
        record = past(dose.medicine, facts)
        every = (*record.kept, *record.lost)
        if dose.at is None or dose.at in every:
            began = min((at.date() for at in every), default=facts.case.as_of.date())
            least = facts.protocol.low_weight.dose_from.value
            believed = None if kg is None or kg < least else weight_of_day_one(began, facts, kg)
            due = due_of_each(medicine, began, facts, believed)
            held = [each for each in due if isinstance(each, Dose)]
            yield from _too_much(dose, dose.contained, medicine, held, believed, facts)


def _too_much(
    dose: GivenDose,
    given: Quantity,
    medicine: Medicine,
    due: list[Dose],
    kg: Decimal | None,
    facts: Facts,
) -> Iterator[Caution]:
    same = [each for each in due if convertible(given.unit, each.contained.unit)]
    shares = [(given.to(each.contained.unit).value / each.contained.value, each) for each in same]
    share, nearest = min(shares, key=lambda one: one[0], default=(Decimal(0), None))
    most = medicine.ceiling
    above = most is not None and convertible(given.unit, most.unit)
    above = above and most is not None and given.to(most.unit).value > most.value
    hard = medicine.hard_max
    if hard is not None and kg is not None and nearest is not None:
        above = above or given.to(nearest.contained.unit).value / kg > hard.value
    protocol = facts.protocol
    if not above and share <= 1 + protocol.order_high.value / 100:
        return
    grave = above or share > 1 + protocol.deviation_high.value / 100
    at = Message("given.no-time") if dose.at is None else moment(dose.at)
    values = (
        ("medicine", Message(f"medicine.{medicine.code}")),
        ("given", amount(given)),
        ("at", at),
        ("due", _due(nearest, given if most is None else most.quantity)),
    )
    code = TOO_MUCH if grave else "dose-given-high"
    message = Message(f"caution.{code}", values)
    yield Caution(
        code, "high" if grave else "moderate", message, (dose.origin,), medicine=medicine.code
    )


def _due(nearest: Dose | None, most: Quantity) -> Message:
    if nearest is None:
        return Message("amount.at-most", (("amount", amount(most)),))
    held = nearest.contained
    return amount(Quantity(printed(held.value), held.unit))
