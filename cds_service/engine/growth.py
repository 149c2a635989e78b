"""Weight-for-age: how far a weight lies from the median, by the WHO Child Growth Standards.

LMS method: z = ((weight / M) ** L - 1) / (L * S).
"""

from decimal import Decimal

from cds_service.content.model import Number
from cds_service.engine.facts import Facts
from cds_service.engine.weight import dosing_weight

_SEXES = ("male", "female")


def weight_for_age(facts: Facts) -> tuple[Decimal, Decimal] | None:
    """The lowest and the highest z-score that the weight can have; a span where age or sex is open.

    None without an age inside the protocol or without a weight that is believed.
    """
    weight, age = dosing_weight(facts), facts.case.age
    if weight.kg is None or age is None or not facts.age_is_inside():
        return None
    sexes = _SEXES if facts.case.sex not in _SEXES else (facts.case.sex,)
    memo, key = facts.protocol.memo, ("z", weight.kg, age.low, age.high, sexes)
    made: tuple[Decimal, Decimal] | None = memo[key]
    if made is None:
        growth = facts.protocol.growth
        tables = [growth.male if sex == "male" else growth.female for sex in sexes]
        every = [z_score(weight.kg, table[day]) for table in tables for day in (age.low, age.high)]
        made = memo[key] = min(every), max(every)
    return made


def z_score(kg: Decimal, lms: tuple[Number, Number, Number]) -> Decimal:
    """The z-score of a weight in kg for one day's L, M and S."""
    skew, median, spread = (number.value for number in lms)
    return ((kg / median) ** skew - 1) / (skew * spread)
