"""Checks of one medicine's formulations: names, units, strengths, and that each can be chosen."""

from collections import Counter
from collections.abc import Iterable, Iterator

from cds_service.content.desk import Desk
from cds_service.content.medicine import Band, Formulation, Medicine, PerKg
from cds_service.content.model import Number


def medicine(desk: Desk, checked: Medicine) -> None:
    """Every check of the formulations, and of the units of the doses made of them."""
    _codes(desk, checked)
    _preferences(desk, checked)
    for form in checked.formulations:
        _formulation(desk, form)
        for per_kg in _per_kgs(checked):
            _step(desk, per_kg, form)
    _units(desk, checked)


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
    for rule in checked.rules:
        amounts = dict(rule.fixed)
        is_fixed = rule.per_kg is None and not rule.bands
        left_out = [code for code in codes if is_fixed and code not in amounts]
        if left_out:
            desk.report_at(rule, f"no amount for {' '.join(left_out)}; add it")
    if checked.target is None and any(band.cells for band in bands):
        desk.report_at(checked, "a banded dose is compared with a target; add target")


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


def _step(desk: Desk, per_kg: PerKg, form: Formulation) -> None:
    """A step of the rule's own must be one that the formulation can be measured in."""
    step = per_kg.step
    if step is None or form.step.value <= 0:
        return
    if step.unit != form.per.unit or step.value <= 0 or step.value % form.step.value != 0:
        desk.report_at(
            per_kg,
            f"{form.code} cannot be measured in steps of {step.value} {step.unit}; "
            f"its own step is {form.step.value} {form.step.unit}",
        )


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
    for number in (checked.target, checked.hard_max):
        if number is not None:
            yield checked, number
    for per_kg in _per_kgs(checked):
        before = (per_kg.target, per_kg.low, per_kg.high)
        yield from ((per_kg, number) for number in before)
        yield from ((per_kg, number) for number in (per_kg.rounded_low, per_kg.rounded_high))
    for band in (band for rule in checked.rules for band in rule.bands):
        for cell in band.cells:
            yield cell, cell.low
            yield cell, cell.high


def _per_kgs(checked: Medicine) -> Iterator[PerKg]:
    for rule in checked.rules:
        every = (rule.per_kg, *(band.per_kg for band in rule.bands))
        yield from (per_kg for per_kg in every if per_kg is not None)
