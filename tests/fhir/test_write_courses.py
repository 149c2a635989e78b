"""Courses that run as ServiceRequests. Shapes and codes: FHIR R4 servicerequest.html."""

from datetime import timedelta
from typing import Any

import pytest

from cds_service.case import Answer, Finding, Origin
from cds_service.engine.model import Decision
from cds_service.fhir.write import write
from cds_service.label.plain import plain
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, HALF, dose, follow_up, order, prophylaxis, slots
from tests.engine.test_edges import AT, YES, found
from tests.engine.test_left_out import made
from tests.fhir.decisions import BASE
from tests.fhir.judge import judged, resources


def running(day: int = 3, reference: str = "MedicationRequest/amoxicillin") -> Decision:
    """Amoxicillin by order, every dose recorded so far."""
    times = slots("amoxicillin", day)
    use = order("amoxicillin", times[0], origin=Origin(reference))
    given = tuple(dose("amoxicillin", at) for at in times)
    return made(follow_up(times[0], given=given, in_use=(use,)))


def request(decision: Decision) -> dict[str, Any]:
    """The ServiceRequest of the course."""
    bundle = judged(write(decision, base=BASE, language="en"))
    (one,) = [
        each
        for each in resources(bundle, "ServiceRequest")
        if each["code"]["coding"][0]["code"].endswith("-course")
    ]
    return one


def test_a_course_that_goes_on_names_its_order_the_next_dose_and_the_last_day() -> None:
    one = request(running())
    assert one["code"]["coding"][0]["code"] == "continue-course"
    assert one["basedOn"] == [{"reference": "MedicationRequest/amoxicillin"}]
    start, end = one["occurrencePeriod"]["start"], one["occurrencePeriod"]["end"]
    first = AT - 2 * DAY
    assert (start, end) == (AT.isoformat(), (first + 13 * HALF).date().isoformat())
    left = one["quantityQuantity"]
    assert (left["value"], left["code"]) == (10, "{dose}")
    assert (one["status"], one["intent"]) == ("draft", "proposal")


def test_no_second_request_is_written_for_the_medicine() -> None:
    bundle = judged(write(running(), base=BASE, language="en"))
    codes = [
        contained["code"]["coding"][0]["code"]
        for each in resources(bundle, "MedicationRequest")
        for contained in each["contained"]
        if "coding" in contained["code"]
    ]
    assert "J01CA04" not in codes


def test_a_course_that_is_complete_is_stopped() -> None:
    one = request(running(day=8))
    assert one["code"]["coding"][0]["code"] == "stop-course"
    assert "occurrencePeriod" not in one


@pytest.mark.parametrize("reference", ["\x01as_of\x01", "\x02who\x02", '", "evil": "'])
def test_what_the_caller_calls_the_order_stays_a_text(reference: str) -> None:
    assert request(running(reference=reference))["basedOn"] == [{"reference": reference}]


def test_an_order_without_an_address_is_not_named() -> None:
    assert "basedOn" not in request(running(reference=""))


def test_the_course_is_told_in_plain_words() -> None:
    told = " ".join(plain(running()).split())
    assert "half a tablet" in told
    assert "Amoxicillin" in told or "amoxicillin" in told


def test_a_course_without_an_order_has_its_request_and_no_second_way() -> None:
    known = running().case
    decision = made(replace(known, in_use=()))
    bundle = judged(write(decision, base=BASE, language="en"))
    coded = [each["code"]["coding"][0]["code"] for each in resources(bundle, "ServiceRequest")]
    assert "continue-course" not in coded


def test_a_repeat_is_a_care_item() -> None:
    known = running(day=3).case
    at = AT - timedelta(minutes=5)
    given = (*known.given, dose("amoxicillin", at))
    vomit = Finding("vomited-after-dose", Answer.YES, AT, Origin("Observation/vomit"))
    decision = made(replace(known, given=given, findings=(*known.findings, vomit)))
    bundle = judged(write(decision, base=BASE, language="en"))
    coded = [each["code"]["coding"][0]["code"] for each in resources(bundle, "ServiceRequest")]
    assert "repeat-the-dose" in coded


def test_what_the_record_lacks_is_told_and_no_amount_is_made_up() -> None:
    known = running().case
    (use,) = known.in_use
    bare = replace(known, in_use=(use._replace(amount=None),), given=known.given[:1])
    told = " ".join(plain(made(bare)).split())
    assert "Each dose as ordered" not in told
    assert "not recorded: 3" in told
    assert "double" in told


def test_a_course_of_an_open_branch_is_an_option() -> None:
    known = running().case
    asked = ("referral-possible", "feeding-poorly", "course-better", "course-worse")
    findings = [one for one in known.findings if one.code not in asked]
    findings += [found(code, YES) for code in ("feeding-poorly", "course-worse")]
    one = request(made(replace(known, findings=tuple(findings))))
    assert one["intent"] == "option"


def test_a_course_without_a_fixed_end_is_renewed_not_stopped() -> None:
    one = request(made(prophylaxis("nevirapine", 14, found("mother-hiv-positive", YES))))
    assert one["code"]["coding"][0]["code"] == "renew-course"
    assert "renew the order" in one["code"]["text"]
    assert "quantityQuantity" not in one
    assert "occurrencePeriod" not in one


def test_a_course_that_an_allergy_forbids_says_no_number_of_doses() -> None:
    known = running().case
    findings = [one for one in known.findings if one.code != "penicillin-allergy"]
    allergic = replace(known, findings=(*findings, found("penicillin-allergy", YES)))
    one = request(made(allergic))
    assert one["code"]["coding"][0]["code"] == "stop-course"
    assert "quantityQuantity" not in one


def test_millilitres_without_a_strength_are_told_with_what_is_due_of_each_bottle() -> None:
    # Clinical content, section 4: always print strength and volume together.
    known = running().case
    (use,) = known.in_use
    liquid = replace(known, in_use=(use._replace(amount=Quantity.of("5", "mL")),))
    words = " ".join(plain(made(liquid)).split())
    assert "Each dose as ordered: 5 mL. The order does not say of which product" in words
    assert "125 mg/5 mL: 5 mL = 125 mg (125 mg in 5 mL), 36.8 mg/kg" in words
    assert "250 mg/5 mL: 2.5 mL = 125 mg (250 mg in 5 mL), 36.8 mg/kg" in words
    assert "5 mL = 125 mg" in request(made(liquid))["note"][0]["text"]


def test_a_repeat_is_told_as_one_of_the_doses_left() -> None:
    known = running().case
    lost = (*known.given, dose("amoxicillin", AT - timedelta(minutes=5)))
    vomit = Finding("vomited-after-dose", Answer.YES, AT, Origin("Observation/vomit"))
    decision = made(replace(known, given=lost, findings=(*known.findings, vomit)))
    assert "is one of those still to give" in " ".join(plain(decision).split())
