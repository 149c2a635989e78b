"""Checks of doses: bands, cells and per-kilogram rules, in exact arithmetic.

Decimal's division rounds, so ratios are compared as fractions (exact for every Decimal).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from cds_service.content import check_forms
from cds_service.content.check_rows import reaching
from cds_service.content.desk import Desk
from cds_service.content.medicine import Band, Cell, DoseRule, Formulation, Medicine, PerKg
from cds_service.content.model import MeasureTest, Number
from cds_service.content.solve import Question, Value, tests
from cds_service.content.treatment import Protocol


def medicine(protocol: Protocol, desk: Desk, checked: Medicine) -> None:
    """Every check of one medicine's doses."""
    before = len(desk.findings)
    check_forms.medicine(desk, checked)
    for rule in checked.rules:
        _bands(protocol, desk, rule)
    if len(desk.findings) > before:
        return  # Arithmetic over parts that do not fit together says nothing more.
    for rule in checked.rules:
        for band in rule.bands:
            for cell in band.cells:
                _cell(desk, checked, band, cell)
        for code, amount in rule.fixed:
            _fixed(desk, checked, rule, checked.formulation(code), amount)
    for span in _spans(protocol, checked):
        _per_kg(desk, checked, span)


def _bands(protocol: Protocol, desk: Desk, rule: DoseRule) -> None:
    """Bands follow each other without gap or overlap, from the lowest weight treated here."""
    first = protocol.low_weight.outpatient_from.value
    if rule.bands and rule.bands[0].low.value > first:
        desk.report_at(rule.bands[0], f"the first band must begin at {first} kg or below")
    for band in rule.bands:
        if band.low.value <= 0:
            desk.report_at(band, "a band begins above zero")
        if band.high is not None and band.high.value <= band.low.value:
            desk.report_at(band, "the band ends before it begins; write from below its end")
        if band.high is None and band.cells:
            desk.report_at(band, "a fixed dose needs an upper weight; add below")
    for band, after in pairwise(rule.bands):
        end = band.high.value if band.high is not None else None
        if end is None or after.low.value < end:
            desk.report_at(after, f"the band {after.code} overlaps {band.code}; correct its from")
        elif after.low.value > end:
            desk.report_at(after, f"a gap from {end} to {after.low.value} kg; correct the from")


def _cell(desk: Desk, checked: Medicine, band: Band, cell: Cell) -> None:
    """The fixed amount stays in its range at the band's low edge and up to its high edge."""
    form = checked.formulation(cell.formulation)
    if not _measured(desk, cell, form, cell.amount):
        return
    given = _content(form, cell.amount.value)
    most = given / Fraction(band.low.value)
    least = given / Fraction(band.high.value) if band.high is not None else most
    if least < cell.low.value or most > cell.high.value:
        desk.report_at(
            cell,
            f"{cell.formulation} gives {_short(least)} to {_short(most)} {cell.low.unit} in "
            f"{band.code}, outside its range; correct the amount or the range",
        )
    _ceilings(desk, checked, cell, most, given)


def _fixed(
    desk: Desk, checked: Medicine, rule: DoseRule, form: Formulation, amount: Number
) -> None:
    """An amount that is given whatever the weight can be measured and is below the ceiling."""
    if _measured(desk, rule, form, amount):
        _ceilings(desk, checked, rule, None, _content(form, amount.value))


def _measured(desk: Desk, owner: object, form: Formulation, amount: Number) -> bool:
    """Whether an amount is in the formulation's unit; one between its steps is reported."""
    if amount.unit != form.per.unit:
        desk.report_at(owner, f"{form.code} is measured in {form.per.unit}")
        return False
    if amount.value % form.step.value != 0 or amount.value <= 0:
        desk.report_at(owner, f"{amount.value} cannot be measured in {form.step.value} steps")
    return True


def _ceilings(
    desk: Desk, checked: Medicine, owner: object, most: Fraction | None, given: Fraction
) -> None:
    if most is not None and checked.hard_max is not None and most > checked.hard_max.value:
        desk.report_at(owner, f"{_short(most)} {checked.hard_max.unit} is above hard-max")
    if checked.ceiling is not None and given > checked.ceiling.value:
        desk.report_at(owner, f"{_short(given)} {checked.ceiling.unit} is above the ceiling")


@dataclass(frozen=True, slots=True)
class _Span:
    """A per-kilogram rule and a stretch of weights over which it is used."""

    per_kg: PerKg
    low: Decimal
    high: Decimal


def _spans(protocol: Protocol, checked: Medicine) -> Iterator[_Span]:
    top = protocol.weight_limits.weigh_again_from.value
    for place, rule in enumerate(checked.rules):
        for band in rule.bands:
            if band.per_kg is not None:
                yield _Span(band.per_kg, band.low.value, band.high.value if band.high else top)
        if rule.per_kg is not None:
            for low, high in _stretches(protocol, checked, place):
                yield _Span(rule.per_kg, low, high)


def _stretches(
    protocol: Protocol, checked: Medicine, place: int
) -> Iterator[tuple[Decimal, Decimal]]:
    """The stretches of weight, cut at every limit that a rule tests, that reach one rule."""
    low, high = protocol.low_weight.dose_from.value, protocol.weight_limits.weigh_again_from.value
    goals = reaching(checked.rules, place)
    if goals is None:
        return
    cuts = {
        test.limit.value
        for goal in goals
        for test in tests(goal.condition, protocol)
        if isinstance(test, MeasureTest) and test.measure == "weight"
    }
    points = sorted({low, high, *(cut for cut in cuts if low < cut < high)})
    for start, end in pairwise(points):
        inside: dict[str, tuple[Value, ...]] = {"weight": (start, (start + end) / 2)}
        if Question(protocol, goals, samples=inside).answer() is not None:
            yield start, end


def _per_kg(desk: Desk, checked: Medicine, span: _Span) -> None:
    rule = span.per_kg
    target = rule.target.value
    if not rule.low.value <= target <= rule.high.value:
        desk.report_at(rule, f"the dose {target} {rule.target.unit} is outside its range")
    if not rule.rounded_low.value <= target <= rule.rounded_high.value:
        desk.report_at(rule, f"the dose {target} {rule.target.unit} is outside rounded-range")
    if checked.hard_max is not None and rule.rounded_high.value > checked.hard_max.value:
        desk.report_at(rule, "rounded-range is above hard-max; correct one")
    for form in checked.formulations:
        _rounded(desk, form, span)


def _rounded(desk: Desk, form: Formulation, span: _Span) -> None:
    """What is measured, over every weight of the span, stays inside rounded-range.

    Between two weights at which the rounded amount changes, the dose per kilogram only falls;
    and each change moves it less than the one before, as one step weighs less in more steps.
    So the lowest weight and both sides of the first change bound it everywhere.
    """
    rule = span.per_kg
    for weight, steps in _edges(form, span):
        dose = _content(form, _step(form, rule)) * steps / weight
        if not rule.rounded_low.value <= dose <= rule.rounded_high.value:
            desk.report_at(
                rule,
                f"{form.code} at {_short(weight)} kg gives {_short(dose)} {rule.target.unit} after "
                "rounding, outside rounded-range; make the step finer or the range wider",
            )
            return


def _edges(form: Formulation, span: _Span) -> Iterator[tuple[Fraction, int]]:
    """The weights to look at, each with the number of steps that is measured there."""
    rule = span.per_kg
    low, high = Fraction(span.low), Fraction(span.high)
    per_step = _content(form, _step(form, rule)) / Fraction(rule.target.value)  # kg for one step
    shift = Fraction(1, 2) if rule.rounding == "nearest" else Fraction(0)
    steps = int(low / per_step + shift)
    yield low, steps
    change = (steps + 1 - shift) * per_step
    yield min(change, high), steps
    if change < high:
        yield change, steps + 1


def _step(form: Formulation, rule: PerKg) -> Decimal:
    return rule.step.value if rule.step is not None else form.step.value


def _content(form: Formulation, amount: Decimal) -> Fraction:
    return Fraction(amount) * Fraction(form.substance.value) / Fraction(form.per.value)


def _short(value: Fraction) -> str:
    return str((Decimal(value.numerator) / value.denominator).quantize(Decimal("0.01")))
