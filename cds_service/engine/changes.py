"""The day from which another dose is due, because a dose rule of the content tests the age.

An order holds to the last day of its rule (clinical content, section 4: nevirapine "after 6 weeks
of age"), but for a medicine whose rule of treatment day 1 holds to the end (section 3): `age-of`.
"""

from datetime import date, datetime, timedelta

from cds_service.content.medicine import Medicine
from cds_service.content.memo import once
from cds_service.content.treatment import Protocol
from cds_service.engine.ages import turning_ages
from cds_service.engine.dose import make_dose
from cds_service.engine.facts import Facts
from cds_service.engine.model import Change, Dose, NoDose

_DAY = timedelta(days=1)


def change_after(medicine: Medicine, facts: Facts, start: date) -> Change | None:
    """The first day after `start` on which another dose is due, or may be; None: there is none.

    Of an age that is a span the oldest counts, so that no dose is given longer than it is right.
    """
    age = facts.age
    if not medicine.each_day or age is None:
        return None
    now = dose_on(medicine, facts, start)
    if isinstance(now, NoDose):
        return None
    today = facts.case.as_of.date()
    for limit in _ages_of(medicine, facts.protocol):
        on = today + (limit - age.high) * _DAY
        if on > start and not _same(now, dose_on(medicine, facts, on)):
            then = dose_on(medicine, facts, today + (limit - age.low) * _DAY)
            return Change(on, then if isinstance(then, Dose) else None)
    return None


def right_since(medicine: Medicine, facts: Facts) -> date | None:
    """The day since which the dose of today is right; None: there was no other before it."""
    age = facts.age
    if not medicine.each_day or age is None:
        return None
    now, today = dose_on(medicine, facts, facts.case.as_of.date()), facts.case.as_of.date()
    for limit in reversed(_ages_of(medicine, facts.protocol)):
        on = today - (age.low - limit) * _DAY
        if limit <= age.low and not _same(now, dose_on(medicine, facts, on - _DAY)):
            return on
    return None


def doses_before(change: Change | None, at: datetime, doses: int, apart: timedelta) -> int:
    """How many of the doses from `at` on fall on days before the change."""
    if change is None:
        return doses
    return sum((at + count * apart).date() < change.on for count in range(doses))


def dose_on(medicine: Medicine, facts: Facts, day: date) -> Dose | NoDose:
    """The dose by the rule of that day and the weight that is dosed by today."""
    kg = None if facts.weight is None else facts.weight.kg
    return make_dose(medicine, facts.on(day), kg)


def _ages_of(medicine: Medicine, protocol: Protocol) -> tuple[int, ...]:
    def made(of: Medicine) -> tuple[int, ...]:
        rules = [rule.when for rule in of.rules if rule.when is not None]
        return turning_ages((*rules, *(each.when for each in of.contraindications)), protocol)

    return once(protocol.made, "turning-ages", medicine, made)


def _same(one: Dose | NoDose, other: Dose | NoDose) -> bool:
    if isinstance(one, Dose) and isinstance(other, Dose):
        return (one.amount, one.formulation) == (other.amount, other.formulation)
    return isinstance(one, NoDose) and isinstance(other, NoDose)
