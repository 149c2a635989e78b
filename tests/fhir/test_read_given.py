"""What was in a dose that is recorded as a volume: by its product, its strength, or its order.

FHIR R4: MedicationAdministration.dosage.dose and .request, Medication.ingredient.strength,
MedicationRequest.dosageInstruction.doseAndRate. Gentamicin of 80 mg in 2 mL is diluted before a
dose is measured (clinical content, section 4), so that its label says nothing of a volume.
"""

from typing import Any

import pytest

from cds_service.case import GivenDose
from tests.fhir.sending import ATC, OWN, SERVER, Json, concept
from tests.fhir.test_read_medicines import (
    by_reference,
    dose,
    given,
    medication,
    of_type,
    order,
    ucum,
)

GENTAMICIN = concept(ATC, "J01GB03")
DILUTED = concept(f"{OWN}/formulation", "gentamicin-vial-80mg-2ml")
VOLUME = {"dosage": {"dose": ucum(2.5, "mL")}}


def told(one: GivenDose) -> tuple[str | None, str | None, str]:
    held, measured = (None if x is None else str(x) for x in (one.contained, one.measured))
    return held, measured, one.formulation


def drug(top: Json, bottom: Json, code: Json = GENTAMICIN, **changes: Any) -> Json:
    ratio = {"numerator": top, "denominator": bottom}
    return medication(code=code, ingredient=[{"strength": ratio}], **changes)


def of(product: Json, volume: Json = VOLUME) -> tuple[str | None, str | None, str]:
    """A dose of a product that is an entry of its own, and of one that is contained."""
    (apart,) = given(product, by_reference({"reference": "Medication/drug-1"}, **volume)).given
    (inside,) = given(by_reference({"reference": "#drug-1"}, contained=[product], **volume)).given
    assert told(apart) == told(inside)
    return told(apart)


def test_a_volume_of_no_product_stays_a_volume() -> None:
    (one,) = given(dose(GENTAMICIN, **VOLUME)).given
    assert told(one) == (None, "2.5 mL", "")


def test_an_amount_of_substance_is_what_was_in_it() -> None:
    (one,) = given(dose(GENTAMICIN, dosage={"dose": ucum(25, "mg")})).given
    assert told(one) == ("25 mg", None, "")


def test_the_code_of_the_product_is_kept() -> None:
    (one,) = given(dose(DILUTED, **VOLUME)).given
    assert told(one) == (None, "2.5 mL", "gentamicin-vial-80mg-2ml")


@pytest.mark.parametrize(
    ("strength", "expected"),
    [
        ((ucum(10, "mg"), ucum(1, "mL")), ("25 mg", "2.5 mL", "")),
        ((ucum(20, "mg"), ucum(2, "mL")), ("25 mg", "2.5 mL", "")),
        ((ucum(50, "mg"), ucum(1, "mL")), ("125 mg", "2.5 mL", "")),
        # The label of what is diluted first.
        ((ucum(80, "mg"), ucum(2, "mL")), (None, "2.5 mL", "gentamicin-vial-80mg-2ml")),
        ((ucum(0.06, "g"), ucum(1.5, "mL")), (None, "2.5 mL", "gentamicin-vial-80mg-2ml")),
        ((ucum(40, "mg"), ucum(1, "mL")), (None, "2.5 mL", "gentamicin-vial-80mg-2ml")),
        # What says nothing of a volume.
        ((ucum(80, "mg"), ucum(1, "{vial}")), (None, "2.5 mL", "")),
        ((ucum(1, "mL"), ucum(1, "mL")), (None, "2.5 mL", "")),
        ((ucum(80, "mg"), {}), (None, "2.5 mL", "")),
        ((ucum(0, "mg"), ucum(1, "mL")), (None, "2.5 mL", "")),
    ],
)
def test_the_strength_of_the_product_says_what_was_in_it(
    strength: tuple[Json, Json], expected: tuple[str | None, str, str]
) -> None:
    assert of(drug(*strength)) == expected


def test_of_several_substances_no_strength_is_taken() -> None:
    two = drug(ucum(10, "mg"), ucum(1, "mL"))
    assert of({**two, "ingredient": two["ingredient"] * 2}) == (None, "2.5 mL", "")
    assert of(medication(code=GENTAMICIN)) == (None, "2.5 mL", "")
    assert of(medication(code=GENTAMICIN, ingredient=[{}])) == (None, "2.5 mL", "")


def based_on(written: Json, **changes: Any) -> tuple[str | None, str | None, str]:
    by = {"request": {"reference": "MedicationRequest/order-1"}, **VOLUME, **changes}
    (one,) = given(written, dose(GENTAMICIN, **by)).given
    return told(one)


def ordered(medicine: Json = GENTAMICIN, **changes: Any) -> Json:
    amounts = [of_type("ordered", 3, "mL"), of_type("calculated", 30, "mg")]
    instruction = {"dosageInstruction": [{"doseAndRate": amounts}], **changes}
    return order(medicationCodeableConcept=medicine, **instruction)


def test_where_the_dose_names_none_the_product_or_the_amounts_of_its_order_count() -> None:
    assert based_on(ordered(DILUTED, dosageInstruction=...)) == (
        None, "2.5 mL", "gentamicin-vial-80mg-2ml",
    )  # fmt: skip
    assert based_on(ordered()) == ("25 mg", "2.5 mL", "")
    assert based_on(ordered(dosageInstruction=...)) == (None, "2.5 mL", "")
    reference = {"reference": f"{SERVER}/MedicationRequest/order-1"}
    assert based_on(ordered(), request=reference) == ("25 mg", "2.5 mL", "")


def test_what_the_dose_itself_names_comes_first() -> None:
    (one,) = given(
        ordered(), dose(DILUTED, request={"reference": "MedicationRequest/order-1"}, **VOLUME)
    ).given
    assert told(one) == (None, "2.5 mL", "gentamicin-vial-80mg-2ml")


@pytest.mark.parametrize(
    "changes",
    [
        {"id": "order-2"},
        {"status": "entered-in-error"},
        {"subject": {"reference": "Patient/another"}},
        {"medicationCodeableConcept": concept(ATC, "J01CA04")},
    ],
)
def test_another_order_says_nothing_of_the_dose(changes: Json) -> None:
    assert based_on({**ordered(), **changes}) == (None, "2.5 mL", "")


@pytest.mark.parametrize("request_", [..., {"display": "the order of this morning"}])
def test_a_dose_that_names_no_order_has_none(request_: Any) -> None:
    assert based_on(ordered(), request=request_) == (None, "2.5 mL", "")
