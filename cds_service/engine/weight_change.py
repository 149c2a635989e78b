"""Whether the weight now fits the weight of an earlier visit.

Clinical content, section 5: a weight that may be wrong is never corrected; it is weighed again.
Both weights may be believable alone: then the dose is made, and what does not fit is said.
"""

from decimal import Decimal

from cds_service.case import Measurement
from cds_service.content.model import Message
from cds_service.engine import words
from cds_service.engine.assessment_model import Caution
from cds_service.engine.facts import Facts, hours_old
from cds_service.engine.phrase import days as in_days

CODE = "weight-change"


def weight_change(facts: Facts, reading: Measurement, *, confirmed: bool) -> Caution | None:
    """What is said when the infant gained or lost more than can be since an earlier visit.

    `confirmed`: a second weighing of this visit agrees, so that the change is real or the earlier
    weight was wrong.
    """
    found = _earlier(facts, reading)
    if found is None:
        return None
    earlier, days = found
    before, now = earlier.quantity.value, reading.quantity.value
    limits = facts.protocol.weight_limits
    at_once = before * limits.change_at_once.value / 100
    if -at_once <= now - before <= at_once + limits.gain_a_day.value * days:
        return None
    values = (
        ("earlier", words.reading(earlier.quantity)),
        ("ago", in_days(max(1, round(days)))),
        ("weight", words.reading(reading.quantity)),
    )
    kind = "confirmed" if confirmed else "caution"
    origins = (reading.origin, earlier.origin)
    return Caution(CODE, "moderate", Message(f"{kind}.{CODE}", values), origins)


def _earlier(facts: Facts, reading: Measurement) -> tuple[Measurement, Decimal] | None:
    """The latest weighing of another visit and how many days it lies back.

    Else the birth weight, whenever it was written down, once the infant is no newborn: in the
    first days the change since birth has limits of its own, which stop the dose.
    """
    now = hours_old(facts, reading)
    before = now + facts.protocol.visit_length.quantity.to("h").value
    found = [each for each in facts.series.get("weight", ()) if hours_old(facts, each) > before]
    if found:
        last = min(found, key=lambda each: (hours_old(facts, each), each.quantity.value))
        return last, (hours_old(facts, last) - now) / 24
    born, age = facts.values.get("birth-weight"), facts.age
    newborn = age is None or age.low < facts.protocol.weight_limits.newborn_days
    if born is None or age is None or newborn or reading.kind == "birth-weight":
        return None
    return born[0], Decimal(age.high)
