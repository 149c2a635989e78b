"""What is read of a MedicationStatement, and of an order that is said to be over."""

from typing import Any

import pytest

from .test_read_medicines import (
    AMOXICILLIN,
    ATC,
    OWN,
    Json,
    concept,
    given,
    order,
    refused,
    statement,
    ucum,
)


@pytest.mark.parametrize(
    ("status", "said"),
    [
        # Nobody knows when it was given last, so that is asked before the next dose.
        ("completed", [("medicine-ended", "amoxicillin")]),
        ("stopped", [("medicine-stopped", "amoxicillin")]),
        ("on-hold", [("medicine-stopped", "amoxicillin")]),
        ("not-taken", [("medicine-not-taken", "")]),
        ("intended", []),
        ("entered-in-error", []),
    ],
)
def test_a_statement_that_is_not_active_is_not_in_use_and_is_said(
    status: str, said: list[tuple[str, str]]
) -> None:
    # FHIR R4 medicationstatement.html, status.
    read = given(statement(status=status))
    assert read.in_use == ()
    assert [(one.reason, one.code) for one in read.refusals] == said
    # Of what is no medicine of the content nothing is said.
    other = statement(medicationCodeableConcept=concept(ATC, "A01"), status=status)
    assert refused(other) == []


@pytest.mark.parametrize(
    ("changes", "noted"),
    [
        ({"status": "completed"}, True),  # nobody knows when, so it may be today
        ({"status": "stopped"}, True),
        ({"status": "not-taken"}, False),
        ({"status": "completed", "effectivePeriod": {"end": "2026-04-30"}}, True),
        ({"status": "completed", "effectivePeriod": {"end": "2026-04-10"}}, False),
        ({"status": "completed", "effectiveDateTime": "2026-04-30"}, True),
        ({"status": "completed", "effectiveDateTime": "2026-04-10"}, False),
    ],
)
def test_another_product_that_was_in_use_of_late_still_counts(changes: Json, noted: bool) -> None:
    furosemide = concept(ATC, "C03CA01")
    read = given(statement(medicationCodeableConcept=furosemide, **changes))
    assert bool([one for one in read.findings if one.code == "loop-diuretic-in-use"]) is noted
    assert len(read.refusals) == 1


def test_what_a_statement_says_of_the_use_is_read() -> None:
    repeat = {"frequency": 3, "period": 1, "periodUnit": "d"}
    one = {"timing": {"repeat": repeat}, "doseAndRate": [{"doseQuantity": ucum(10, "mL")}]}
    code = {"system": f"{OWN}/formulation", "code": "amoxicillin-suspension-125mg-5ml"}
    product = {"coding": [*AMOXICILLIN["coding"], code]}
    sent = statement(
        medicationCodeableConcept=product, dosage=[one], effectivePeriod={"start": "2026-04-29"}
    )
    (use,) = given(sent).in_use
    assert (str(use.amount), use.a_day, use.ordered) == ("10 mL", 3, False)
    assert use.formulation == code["code"]
    assert use.since is not None
    assert use.since.date().isoformat() == "2026-04-29"
    (bare,) = given(statement(dosage=[one, one])).in_use  # which of them holds is not told apart
    assert (bare.amount, bare.a_day, bare.since, bare.formulation) == (None, None, None, "")


@pytest.mark.parametrize(
    ("authored", "length", "said"),
    [
        ("2026-04-29", 7, ["order-completed"]),
        ("2026-04-20", 7, []),
        (..., 7, []),
        ("2026-04-29", None, []),
    ],
)
def test_an_order_completed_before_its_days_are_over_is_said(
    authored: Any, length: int | None, said: list[str]
) -> None:
    bounds = {} if length is None else {"boundsDuration": ucum(length, "d")}
    instruction = [{"timing": {"repeat": bounds}}] if bounds else ...
    sent = order(status="completed", authoredOn=authored, dosageInstruction=instruction)
    read = given(sent)
    assert read.in_use == ()
    assert [one.reason for one in read.refusals] == said


@pytest.mark.parametrize(
    ("changes", "asked"),
    [
        ({"status": "completed", "effectiveDateTime": "2026-05-01T08:30:00+02:00"}, "amoxicillin"),
        ({"status": "completed", "effectiveDateTime": "2026-04-10"}, ""),
        ({"effectivePeriod": {"end": "2026-05-01T08:30:00+02:00"}}, "amoxicillin"),
        ({"effectivePeriod": {"end": "2026-04-10"}}, ""),
    ],
)
def test_what_ended_just_now_is_asked_about_before_the_next_dose(changes: Json, asked: str) -> None:
    read = given(statement(**changes))
    assert read.in_use == ()
    assert [(one.reason, one.code) for one in read.refusals] == [("medicine-ended", asked)]


def test_a_statement_that_begins_tomorrow_is_refused() -> None:
    read = given(statement(effectivePeriod={"start": "2026-05-09"}))
    assert read.in_use == ()
    assert [(one.reason, one.code) for one in read.refusals] == [("future", "amoxicillin")]
