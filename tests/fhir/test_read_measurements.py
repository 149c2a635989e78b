"""Measurements: units, limits, where a temperature was taken."""

from decimal import Decimal

import pytest

from cds_service.quantity import Quantity
from tests.fhir.sending import (
    SNOMED,
    Json,
    bundle,
    case,
    concept,
    measured,
    patient,
    protocol,
    refused,
    request,
    text,
    value,
    weight,
)


@pytest.mark.parametrize(
    ("number", "unit"),
    [("3.4", "kg"), ("3.40", "kg"), ("3400", "g"), ("3.4e3", "g"), ("3400.000", "g")],
)
def test_one_weight_is_one_weight_in_every_unit_and_spelling(number: str, unit: str) -> None:
    sent = text(bundle(patient(), weight(0, unit))).replace(
        b'"value": 0', b'"value": %b' % number.encode()
    )
    (one,) = request(sent).case.measurements
    assert (one.kind, str(one.quantity.value), one.quantity.unit) == ("weight", "3.4", "kg")


def test_a_pound_is_exact() -> None:
    """1 lb = 0.45359237 kg (international yard and pound agreement, 1959)."""
    assert value(weight(7, "[lb_av]")).quantity == Quantity(Decimal("3.17514659"), "kg")


def test_fahrenheit_is_turned_into_celsius() -> None:
    one = value(measured("t", "8328-7", 100.4, "[degF]"))
    assert one.quantity == Quantity(Decimal(38), "Cel")


@pytest.mark.parametrize(
    "loinc",
    [
        "2339-0",  # clinical content, section 1
        "2345-7",  # serum or plasma: HL7 LIVD guide, ConceptMap of test codes (seen)
        "41653-7",  # capillary blood by glucometer: display in guides of HL7 (seen)
    ],
)
def test_glucose_in_milligrams_is_kept_as_it_was_measured(loinc: str) -> None:
    assert value(measured("g", loinc, 45, "mg/dL")).quantity == Quantity(Decimal(45), "mg/dL")
    assert value(measured("g", loinc, 2.5, "mmol/L")).quantity.unit == "mmol/L"


def test_what_glucose_can_be_in_milligrams_follows_from_its_molar_mass() -> None:
    """C6H12O6 of the standard atomic weights C 12.011, H 1.008, O 15.999 (IUPAC, from memory)."""
    grams = 6 * Decimal("12.011") + 12 * Decimal("1.008") + 6 * Decimal("15.999")
    most = protocol().measure_by_code["blood-glucose"].possible[1].value * grams / 10
    assert value(measured("g", "2339-0", float(most), "mg/dL")).quantity.value == most
    assert refused(measured("g", "2339-0", float(most) + 0.1, "mg/dL")) == ["impossible"]


@pytest.mark.parametrize("unit", ["mg/mL", "g/L", "mg", "mmol"])
def test_glucose_in_any_other_unit_is_refused(unit: str) -> None:
    assert refused(measured("g", "2339-0", 45, unit)) == ["unit-not-read"]


@pytest.mark.parametrize("unit", ["/min", "{breaths}/min"])
def test_breaths_may_have_two_units(unit: str) -> None:
    assert value(measured("b", "9279-1", 64, unit)).quantity == Quantity(Decimal(64), "/min")


def test_every_code_and_unit_of_the_protocol_is_read() -> None:
    for measure in protocol().measures:
        for code in measure.loinc:
            assert value(middle(code, measure.code)).kind == measure.code


def middle(loinc: str, kind: str) -> Json:
    measure = protocol().measure_by_code[kind]
    low, high = (end.quantity.to(measure.unit).value for end in measure.possible)
    if measure.not_used_from is not None:
        high = measure.not_used_from.value
    return measured("m", loinc, float((low + high) / 2), measure.unit)


def test_a_value_at_the_end_of_the_possible_is_possible() -> None:
    assert value(measured("s", "59408-5", 100, "%")).quantity.value == 100
    assert refused(measured("s", "59408-5", 100.1, "%")) == ["impossible"]


def test_the_units_that_are_read_are_named() -> None:
    (refusal,) = case(patient(), weight(3.4, "stone")).refusals
    assert dict(refusal.details) == {"measure": "weight", "units": "kg, g, [lb_av]"}


def test_a_measurement_that_was_not_made_is_nothing() -> None:
    absent = {"text": "no scale"}
    assert refused(weight(valueQuantity=..., dataAbsentReason=absent)) == []


@pytest.mark.parametrize(
    ("loinc", "changes", "site"),
    [
        ("8328-7", {}, "axillary"),  # clinical content, section 1
        ("8310-5", {}, None),
        ("8332-5", {}, "rectal"),  # LOINC, from memory
        ("8331-1", {}, "oral"),  # LOINC, from memory
        ("8333-7", {}, "ear"),  # LOINC, from memory
        ("8310-5", {"bodySite": {"text": "Axilla"}}, "axillary"),
        ("8310-5", {"bodySite": {"text": "left armpit"}}, "axillary"),
        ("8310-5", {"bodySite": concept(SNOMED, "91470000")}, "axillary"),  # from memory
        ("8310-5", {"bodySite": concept(SNOMED, "34402009")}, "rectal"),  # from memory
        ("8310-5", {"bodySite": {"coding": [{"display": "Tympanic membrane"}]}}, "ear"),
        ("8310-5", {"method": {"text": "Rectal thermometer"}}, "rectal"),
        ("8310-5", {"method": {"text": "Digital thermometer"}}, None),
        ("8310-5", {"bodySite": {"text": "mouth"}}, "oral"),
        ("8310-5", {"bodySite": {"text": "forehead (temporal)"}}, "other"),
        ("8310-5", {"bodySite": {"text": "left ear"}}, "ear"),
        ("8310-5", {"bodySite": {"text": "early"}}, "other"),
        ("8328-7", {"bodySite": {"text": "rectum"}}, "other"),
    ],
)
def test_where_a_temperature_was_taken(loinc: str, changes: Json, site: str | None) -> None:
    assert value(measured("t", loinc, 37.2, "Cel", **changes)).site == site


def test_only_a_temperature_has_a_site() -> None:
    assert value(weight(bodySite={"text": "rectum"})).site is None
