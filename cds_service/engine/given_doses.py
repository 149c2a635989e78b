"""Doses recorded as given that held far more or less than was due: never passed over in silence.

Clinical content, section 4: no single dose above the ceiling, nor above the hard maximum per
kilogram; section 3: rule, age and weight of treatment day 1 hold. How far is too far are the
limits of the content for orders. Where a volume alone is recorded, every product is thought of
that it may be of: what is too much (or too little) in each of them is, and what may be is said.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import GivenDose
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Caution
from cds_service.engine.dose_notes import printed
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose
from cds_service.engine.ordered import due_of_each, weight_of_day_one
from cds_service.engine.past import past
from cds_service.engine.phrase import amount, moment
from cds_service.quantity import Quantity, convertible, plain

TOO_MUCH = "dose-given-too-high"
_HIGH, _LOW, _UNJUDGED = "dose-given-high", "dose-given-low", "dose-given-not-judged"
_SEVERITY = {TOO_MUCH: "high", _HIGH: "moderate", _LOW: "moderate"}


class _Due(NamedTuple):
    """What one given dose is held against."""

    medicine: Medicine
    doses: list[Dose]
    """What was due of each product, on the first day of the course."""
    kg: Decimal | None


class _Held(NamedTuple):
    """What may have been in the dose, and what that is called: a code of a caution, or ""."""

    content: Quantity
    code: str


def given_amiss(facts: Facts, kg: Decimal | None) -> Iterator[Caution]:
    """A caution for each dose of this illness that held more or less than was due, or may have."""
    for dose in facts.case.given:
        if dose.contained is None and dose.measured is None:
            continue
        record = past(dose.medicine, facts)
        every = (*record.kept, *record.lost)
        if dose.at is None or dose.at in every:
            began = min((at.date() for at in every), default=facts.case.as_of.date())
            least = facts.protocol.low_weight.dose_from.value
            believed = None if kg is None or kg < least else weight_of_day_one(began, facts, kg)
            medicine = facts.protocol.medicine_by_code[dose.medicine]
            due = due_of_each(medicine, began, facts, believed)
            held = [each for each in due if isinstance(each, Dose)]
            found = _judged(dose, _Due(medicine, held, believed), facts)
            # What was vomited counts as not given, so it is not too little either.
            vomited = dose.at in record.lost
            yield from (each for each in found if not (vomited and each.code == _LOW))


def _judged(dose: GivenDose, due: _Due, facts: Facts) -> Iterator[Caution]:
    held = [_Held(each, _code(each, due, facts)) for each in _contents(dose, due, facts)]
    codes = {each.code for each in held}
    low = codes == {_LOW}
    if low or (codes and codes <= {TOO_MUCH, _HIGH}):
        nearest = max if low else min
        surely = nearest(held, key=lambda each: each.content.value)
        yield _caution(surely.code, _SEVERITY[surely.code], dose, held, surely, due)
    elif len(codes) != 1 or (dose.contained is None and not dose.formulation):
        grave = "moderate" if TOO_MUCH in codes else "low"
        yield _caution(_UNJUDGED, grave, dose, held, None, due)


def _contents(dose: GivenDose, due: _Due, facts: Facts) -> list[Quantity]:
    """What was in the dose; where that is open, everything that may have been in it."""
    if dose.contained is not None:
        return [dose.contained]
    forms = [each for each in due.medicine.formulations if dose.formulation in ("", each.code)]
    return [content for form in forms for content in _in_form(dose, form, due, facts)]


def _in_form(dose: GivenDose, form: Formulation, due: _Due, facts: Facts) -> Iterator[Quantity]:
    measured = dose.measured
    if measured is None or not convertible(measured.unit, form.per.unit):
        return
    yield form.contained(measured.to(form.per.unit))
    # A volume of what is diluted first may be meant before or after that; the dose due decides.
    if form.is_thinned and not (dose.formulation and _is_as_due(measured, form, due, facts)):
        substance, per = form.label_strength
        share = measured.to(per.unit).value / per.value
        yield Quantity(plain(share * substance.value), substance.unit)


def _is_as_due(measured: Quantity, form: Formulation, due: _Due, facts: Facts) -> bool:
    """Whether the measured amount is about the one that was due of this product, made up."""
    low = 1 - facts.protocol.deviation_low.value / 100
    high = 1 + facts.protocol.deviation_high.value / 100
    shares = [
        measured.to(each.amount.unit).value / each.amount.value
        for each in due.doses
        if each.formulation is form
    ]
    return any(low <= share <= high for share in shares)


def _code(given: Quantity, due: _Due, facts: Facts) -> str:
    """What a dose with this in it is: far too much, too much, too little, or none of them ("").

    Of the product in which it is nearest to what was due.
    """
    same = [each for each in due.doses if convertible(given.unit, each.contained.unit)]
    shares = [_share(given, each) for each in same]
    share = min(shares, default=Decimal(0))
    most, hard = due.medicine.ceiling, due.medicine.hard_max
    above = most is not None and convertible(given.unit, most.unit)
    above = above and most is not None and given.to(most.unit).value > most.value
    if hard is not None and due.kg is not None and same:
        above = above or given.to(same[0].contained.unit).value / due.kg > hard.value
    if above or share > 1 + facts.protocol.deviation_high.value / 100:
        return TOO_MUCH
    if share > 1 + facts.protocol.order_high.value / 100:
        return _HIGH
    # What is right changes from day to day for some; what was right then is not held against today.
    judged = bool(shares) and not due.medicine.each_day
    too_little = judged and max(shares) < 1 - facts.protocol.deviation_low.value / 100
    return _LOW if too_little else ""


def _share(given: Quantity, dose: Dose) -> Decimal:
    return given.to(dose.contained.unit).value / dose.contained.value


def _caution(
    code: str,
    severity: str,
    dose: GivenDose,
    held: list[_Held],
    surely: _Held | None,
    due: _Due,
) -> Caution:
    values = (
        ("medicine", Message(f"medicine.{dose.medicine}")),
        ("given", _given(dose, held, surely)),
        ("at", Message("given.no-time") if dose.at is None else moment(dose.at)),
        ("due", _due(held, due)),
    )
    message = Message(f"caution.{code}", values)
    return Caution(code, severity, message, (dose.origin,), medicine=dose.medicine)


def _given(dose: GivenDose, held: list[_Held], surely: _Held | None) -> Message:
    """What was given, in the words of the record and with what is known to be in it."""
    if dose.measured is None or surely is None:
        return amount(dose.measured or held[0].content)
    bound = "given.with-at-most" if surely.code == _LOW else "given.with-at-least"
    key = "course.with-content" if len(held) == 1 else bound
    return Message(key, (("amount", amount(dose.measured)), ("contained", _told(surely.content))))


def _due(held: list[_Held], due: _Due) -> Message:
    """What was due, of the product in which it is nearest to what was given."""
    if due.doses:
        given = held[0].content if held else due.doses[0].contained
        same = (each for each in due.doses if convertible(given.unit, each.contained.unit))
        nearest = min(same, key=lambda each: abs(_share(given, each) - 1), default=due.doses[0])
        return _told(nearest.contained)
    most = due.medicine.ceiling
    if most is None:
        return Message("given.due-unknown")
    return Message("amount.at-most", (("amount", amount(most.quantity)),))


def _told(content: Quantity) -> Message:
    return amount(Quantity(printed(content.value), content.unit))
