"""Checks of doses: bands, cells, per-kilogram rules and formulations, in exact arithmetic.

Decimal's division rounds, so ratios are compared as fractions (exact for every Decimal).
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from cds_service.content.check_rows import reaching
from cds_service.content.desk import Desk
from cds_service.content.medicine import Band, Cell, DoseRule, Formulation, Medicine, PerKg
from cds_service.content.model import MeasureTest, Number
from cds_service.content.solve import Question, Value, tests
from cds_service.content.treatment import Protocol


def medicine(protocol: Protocol, desk: Desk, checked: Medicine) -> None:
    """Every check of one medicine's doses."""
    before = len(desk.findings)
    _codes(desk, checked)
    _preferences(desk, checked)
    for form in checked.formulations:
        _formulation(desk, form)
    _units(desk, checked)
    for rule in checked.rules:
        _bands(protocol, desk, rule)
    if len(desk.findings) > before:
        return  # Arithmetic over parts that do not fit together says nothing more.
    for rule in checked.rules:
        for band in rule.bands:
            for cell in band.cells:
                _cell(desk, checked, band, cell)
    for span in _spans(protocol, checked):
        _per_kg(desk, checked, span)


def _codes(desk: Desk, checked: Medicine) -> None:
    _once(desk, checked, "formulation", (form.code for form in checked.formulations))
    _once(desk, checked, "rule", (rule.code for rule in checked.rules))
    for rule in checked.rules:
        _once(desk, rule, "band", (band.code for band in rule.bands))
    if not checked.rules or not checked.formulations:
        desk.report_at(checked, f"{checked.code} needs at least one rule and one formulation")


def _once(desk: Desk, owner: object, kind: str, codes: Iterable[str]) -> None:
    for code, count in Counter(codes).items():
        if count > 1:
            desk.report_at(owner, f"the {kind} {code} appears {count} times; rename or remove it")


def _preferences(desk: Desk, checked: Medicine) -> None:
    """A formulation that no preference names would never be given, though it is in stock."""
    bands = [band for rule in checked.rules for band in rule.bands]
    codes = [form.code for form in checked.formulations]
    owners: list[Medicine | Band] = [checked, *bands]
    for owner in owners:
        left_out = [code for code in codes if code not in owner.prefer]
        if left_out:
            desk.report_at(owner, f"prefer leaves out {' '.join(left_out)}; name every one")
    for band in bands:
        cells = {cell.formulation for cell in band.cells}
        left_out = [code for code in codes if cells and code not in cells]
        if left_out:
            desk.report_at(band, f"no cell for {' '.join(left_out)}; add it")


def _formulation(desk: Desk, form: Formulation) -> None:
    label, _ = form.label_strength
    if form.per.unit not in ("mL", "{tbl}"):
        desk.report_at(form, "the strength is not in mL or {tbl}; add made-up")
    for number in (form.step, form.pack_size):
        if number.unit != form.per.unit:
            desk.report_at(form, f"{number.value} {number.unit} must be in {form.per.unit}")
    positive = (label.value, form.per.value, form.step.value, form.pack_size.value)
    if min(positive) <= 0:
        desk.report_at(form, "strength, step and pack-size must be above zero")
    if label != form.substance:
        desk.report_at(form, "made-up must hold the same substance as the strength")
    if form.dilute is not None and form.dilute.value > form.per.value:
        desk.report_at(form, "made-up is less than the water that is added; correct one")


def _units(desk: Desk, checked: Medicine) -> None:
    substances = {form.substance.unit for form in checked.formulations}
    if len(substances) > 1:
        desk.report_at(checked, f"formulations measure in {' and '.join(sorted(substances))}")
    for substance in sorted(substances):
        for owner, number in _doses(checked):
            if number.unit != f"{substance}/kg":
                desk.report_at(owner, f"{number.value} {number.unit} must be in {substance}/kg")
            if number.value <= 0:
                desk.report_at(owner, f"{number.value} {number.unit} must be above zero")
        if checked.ceiling is not None and checked.ceiling.unit != substance:
            desk.report_at(checked, f"the ceiling must be in {substance}")


def _doses(checked: Medicine) -> Iterator[tuple[object, Number]]:
    """Every dose per kilogram, with the part that it belongs to."""
    yield checked, checked.target
    if checked.hard_max is not None:
        yield checked, checked.hard_max
    for rule in checked.rules:
        for per_kg in (rule.per_kg, *(band.per_kg for band in rule.bands)):
            if per_kg is not None:
                for number in (per_kg.target, per_kg.low, per_kg.high):
                    yield per_kg, number
                yield per_kg, per_kg.rounded_low
                yield per_kg, per_kg.rounded_high
        for cell in (cell for band in rule.bands for cell in band.cells):
            yield cell, cell.low
            yield cell, cell.high


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
    if cell.amount.unit != form.per.unit:
        desk.report_at(cell, f"{cell.formulation} is measured in {form.per.unit}")
        return
    if cell.amount.value % form.step.value != 0 or cell.amount.value <= 0:
        desk.report_at(cell, f"{cell.amount.value} cannot be measured in {form.step.value} steps")
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


def _ceilings(
    desk: Desk, checked: Medicine, owner: object, most: Fraction, given: Fraction
) -> None:
    if checked.hard_max is not None and most > checked.hard_max.value:
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

    Between two weights at which the rounded amount changes, the dose per kilogram only falls:
    so it is enough to look at both sides of each change, and at both ends.
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
    """Weights at the ends and at each change, with the number of steps on either side."""
    rule = span.per_kg
    low, high = Fraction(span.low), Fraction(span.high)
    per_step = _content(form, _step(form, rule)) / Fraction(rule.target.value)  # kg for one step
    shift = Fraction(1, 2) if rule.rounding == "nearest" else Fraction(0)
    steps = int(low / per_step + shift)
    yield low, steps
    while (change := (steps + 1 - shift) * per_step) < high:
        yield change, steps
        steps += 1
        yield change, steps
    yield high, steps


def _step(form: Formulation, rule: PerKg) -> Decimal:
    return rule.step.value if rule.step is not None else form.step.value


def _content(form: Formulation, amount: Decimal) -> Fraction:
    return Fraction(amount) * Fraction(form.substance.value) / Fraction(form.per.value)


def _short(value: Fraction) -> str:
    return str((Decimal(value.numerator) / value.denominator).quantize(Decimal("0.01")))
