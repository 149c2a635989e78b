"""The drawn doses: a syringe that shows the very amount, tablets filled as far as given."""

from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple
from xml.etree import ElementTree

import pytest

from cds_service.content.medicine import Formulation, Medicine
from cds_service.engine.dose import make_dose
from cds_service.engine.model import Dose
from cds_service.engine.settle import settle
from cds_service.label.icons import ICONS, icon_svg, of_hour
from cds_service.label.ink import THERMAL
from cds_service.label.sampled import _infant
from cds_service.label.syringe import fillings, syringe_svg
from cds_service.label.tablet import tablets_svg

from .labels import protocol

SVG = "{http://www.w3.org/2000/svg}"
FORMS = [(each, form) for each in protocol().medicines for form in each.formulations]
LIQUIDS = [(medicine, form) for medicine, form in FORMS if form.per.unit == "mL"]
WEIGHTS = [Decimal(grams) / 1000 for grams in range(1000, 8000, 25)]
AGES = (0, 6, 7, 35, 59)


class Drawn(NamedTuple):
    """What is seen in a syringe: where the plunger begins, and the marks by their mL."""

    level: float
    marks: dict[Decimal, float]


def drawn(svg: str) -> Drawn:
    root = ElementTree.fromstring(svg)
    (seal,) = root.iterfind(f".//{SVG}rect[@class='level']")
    lines = root.iterfind(f".//{SVG}line[@class='mark']")
    marks = {Decimal(each.attrib["data-ml"]): float(each.attrib["x1"]) for each in lines}
    return Drawn(float(seal.attrib["x"]), marks)


def read_off(seen: Drawn) -> Decimal:
    """The amount that somebody reads who looks between which marks the plunger stands."""
    marks = sorted(seen.marks.items())
    for (low, left), (high, right) in pairwise(marks):
        if left <= seen.level <= right:
            share = (seen.level - left) / (right - left)
            return low + (high - low) * Decimal(str(round(share, 3)))
    raise AssertionError("the plunger is beyond the scale")


def doses(medicine: Medicine, form: Formulation) -> set[Decimal]:
    """Every amount of a form that the content gives, over all weights and five ages."""
    found = set[Decimal]()
    for age in AGES:
        for kg in WEIGHTS:
            facts = settle(_infant(protocol(), age, kg, "37.0", 45, ()), protocol())
            dose = make_dose(medicine, facts, kg, only=form.code)
            if isinstance(dose, Dose):
                found.add(dose.amount.value)
    return found


@pytest.mark.parametrize(("medicine", "form"), LIQUIDS, ids=lambda each: each.code)
def test_the_plunger_stands_at_every_dose_of_the_content(
    medicine: Medicine, form: Formulation
) -> None:
    # Beside what the engine gives today, every step up to the largest dose there could be.
    steps = {form.step.value * count for count in range(1, int(16 / form.step.value) + 1)}
    given = doses(medicine, form)
    limit = medicine.split_above
    for volume in given | ({v for v in steps if v <= 3} if limit else steps):
        parts = fillings(volume, protocol().syringes)
        assert sum(part for _, part in parts) == volume
        for syringe, part in parts:
            seen = drawn(syringe_svg(syringe, part))
            assert abs(read_off(seen) - part) <= syringe.marks.value / 2, (volume, part)


@pytest.mark.parametrize(("medicine", "form"), LIQUIDS, ids=lambda each: each.code)
def test_every_dose_stands_at_a_mark_of_its_syringe(medicine: Medicine, form: Formulation) -> None:
    for volume in doses(medicine, form):
        parts = fillings(volume, protocol().syringes)
        if medicine.split_above is None:
            assert all(syringe.has_mark(part) for syringe, part in parts), volume


def test_the_marks_lie_apart_alike_and_the_last_is_what_the_syringe_holds() -> None:
    for syringe in protocol().syringes:
        marks = drawn(syringe_svg(syringe, syringe.holds.value)).marks
        places = [marks[each] for each in sorted(marks)]
        apart = [b - a for a, b in pairwise(places)]
        assert max(marks) == syringe.holds.value
        assert max(apart) - min(apart) <= 0.0021  # written to a thousandth of a millimetre


def test_more_than_the_largest_syringe_holds_is_drawn_in_two_fillings() -> None:
    parts = fillings(Decimal("13.5"), protocol().syringes)

    assert [part for _, part in parts] == [Decimal(10), Decimal("3.5")]


def test_without_syringes_in_the_content_nothing_is_drawn() -> None:
    assert fillings(Decimal(2), ()) == ()


def test_a_syringe_is_never_drawn_too_full() -> None:
    with pytest.raises(ValueError, match="does not hold"):
        syringe_svg(protocol().syringes[0], Decimal(2))


@pytest.mark.parametrize(
    ("count", "given"), [("0.25", 1), ("0.5", 1), ("0.75", 1), ("1", 1), ("1.5", 2), ("3", 3)]
)
def test_so_many_tablets_or_parts_are_filled(count: str, given: int) -> None:
    for ink in (None, THERMAL):
        svg = tablets_svg(Decimal(count)) if ink is None else tablets_svg(Decimal(count), ink=ink)
        shapes = ElementTree.fromstring(svg).findall(f".//{SVG}path[@class='given']")
        assert len(shapes) == given


@pytest.mark.parametrize("count", ["0", "-1", "0.3"])
def test_other_parts_of_a_tablet_are_not_drawn(count: str) -> None:
    with pytest.raises(ValueError, match="cannot be drawn"):
        tablets_svg(Decimal(count))


def test_every_amount_of_tablets_of_the_content_can_be_drawn() -> None:
    for medicine, form in FORMS:
        if form.per.unit == "{tbl}":
            for count in doses(medicine, form):
                assert tablets_svg(count)


def test_a_drawing_says_what_it_shows_and_nobody_can_break_out_of_it() -> None:
    svg = tablets_svg(Decimal(1), alt='"><script>')

    assert ElementTree.fromstring(svg).attrib["aria-label"] == '"><script>'


@pytest.mark.parametrize("name", ICONS)
def test_each_icon_is_svg_and_black_alone_on_thermal_paper(name: str) -> None:
    svg = icon_svg(name, ink=THERMAL)

    ElementTree.fromstring(svg)
    assert "#8fa3bf" not in svg


def test_the_sun_stands_for_the_day_and_the_moon_for_the_night() -> None:
    assert [of_hour(hour) for hour in (5, 6, 17, 18)] == ["moon", "sun", "sun", "moon"]
