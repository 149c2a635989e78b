"""A dose that changes with the age: nothing is ordered for a day on which it is no longer right.

Clinical content, section 4: nevirapine by birth weight, "after 6 weeks of age 20 mg" (from day 42:
derived), cotrimoxazole from 4-6 weeks; section 3: follow-up is printed as dates, the rule of
treatment day 1 holds for a whole course of gentamicin.
"""

import json
from datetime import timedelta
from decimal import Decimal

import pytest

from cds_service.case import Age, Case, MedicineInUse, Origin
from cds_service.content.medicine import Contraindication
from cds_service.content.model import MeasureTest, Message, Number
from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.ages import lifted
from cds_service.engine.changes import change_after, right_since
from cds_service.engine.check_amounts import due_dates
from cds_service.engine.check_model import DraftOrder
from cds_service.engine.model import Order, Plan
from cds_service.engine.phrase import change_told
from cds_service.engine.settle import settle
from cds_service.fhir.write import write
from cds_service.label.schedule import dose_times
from cds_service.quantity import Quantity, QuantityError, as_mass
from tests.changing import replace
from tests.engine.test_edges import PROTOCOL, YES, found, measured
from tests.engine.test_left_out import healthy

DAY = timedelta(days=1)
SIX_WEEKS = 42
NEVIRAPINE = PROTOCOL.medicine_by_code["nevirapine"]


def exposed(low: int, high: int | None = None, *orders: MedicineInUse) -> Case:
    """An infant of a mother with HIV, born at 3.0 kg; `high`: the age is not known better."""
    known = healthy(found("mother-hiv-positive", YES))
    born = measured("birth-weight", "3.0", "kg")
    others = tuple(each for each in known.measurements if each.kind != "birth-weight")
    age = Age(low, low if high is None else high)
    return replace(known, age=age, measurements=(*others, born), in_use=orders)


def nevirapine(days_ago: int, days: int = 14, amount: str = "1.5") -> MedicineInUse:
    since = healthy().as_of - days_ago * DAY
    origin, measure = Origin("MedicationRequest/n"), Quantity.of(amount, "mL")
    return MedicineInUse("nevirapine", origin, since, days, 1, measure, ordered=True)


def plan(case: Case) -> Plan:
    return decide(case, PROTOCOL).plan


def ordered(made: Plan) -> Order:
    (one,) = [each for each in made.orders if each.dose.medicine.code == "nevirapine"]
    return one


def amount(order: Order) -> str:
    return str(order.dose.amount)


@pytest.mark.parametrize("age", range(60))
def test_no_dose_falls_on_a_day_on_which_another_is_right(age: int) -> None:
    case = exposed(age)
    order = ordered(plan(case))
    for at in dose_times(order):
        of_day = age + (at.date() - case.as_of.date()).days
        assert (amount(order) == "2 mL") == (of_day >= SIX_WEEKS)
    assert len(dose_times(order)) == min(14, SIX_WEEKS - age if age < SIX_WEEKS else 14)


@pytest.mark.parametrize("age", [29, 35, 41])
def test_the_visit_is_on_the_day_of_the_change_and_names_the_new_dose(age: int) -> None:
    made = plan(exposed(age))
    (visit,) = [each for each in made.follow_ups if each.message.key == "visit.dose-changes"]
    assert visit.on == healthy().as_of.date() + (SIX_WEEKS - age) * DAY
    assert "2 mL, once a day" in render(PROTOCOL, visit.message)
    (caution,) = [each for each in made.cautions if each.code == "dose-changes"]
    assert "2 mL = 20 mg, once a day" in render(PROTOCOL, caution.message)


@pytest.mark.parametrize("age", [27, 28, 42, 45])
def test_where_the_dose_stays_the_same_nothing_is_said(age: int) -> None:
    made = plan(exposed(age))
    assert ordered(made).change is None
    assert "dose-changes" not in {each.code for each in made.cautions}


def test_of_an_age_that_is_a_span_the_oldest_counts_and_the_youngest_for_the_new_dose() -> None:
    facts = settle(exposed(36, 40), PROTOCOL)
    today = facts.case.as_of.date()
    change = change_after(NEVIRAPINE, facts, today)
    assert change is not None
    assert change.dose is not None
    assert (change.on, str(change.dose.amount)) == (today + 2 * DAY, "2 mL")
    assert ordered(plan(exposed(36, 40))).doses == 2


def test_an_order_of_before_six_weeks_is_replaced_after_it_and_that_is_said() -> None:
    made = plan(exposed(42, None, nevirapine(days_ago=7)))
    assert amount(ordered(made)) == "2 mL"
    assert not [each for each in made.courses if each.is_told]
    (caution,) = [each for each in made.cautions if each.code == "order-outdated"]
    assert (caution.severity, caution.origins[0].reference) == ("high", "MedicationRequest/n")


def test_an_order_of_today_for_the_new_dose_goes_on() -> None:
    made = plan(exposed(44, None, nevirapine(days_ago=2, amount="2")))
    (course,) = [each for each in made.courses if each.is_told]
    assert (course.state, course.change) == ("continue", None)
    assert not [each for each in made.orders if each.dose.medicine.code == "nevirapine"]


def test_an_order_that_runs_is_counted_to_the_last_day_of_its_dose() -> None:
    made = plan(exposed(40, None, nevirapine(days_ago=0)))
    (course,) = [each for each in made.courses if each.is_told]
    today = healthy().as_of.date()
    assert (course.left, course.last_day) == (2, today + DAY)
    assert [each.on for each in made.follow_ups if each.key.startswith("dose-changes")] == [
        today + 2 * DAY
    ]


def test_gentamicin_keeps_the_rule_of_its_first_day() -> None:
    gentamicin = PROTOCOL.medicine_by_code["gentamicin"]
    facts = settle(replace(healthy(), age=Age(5, 5)), PROTOCOL)
    assert change_after(gentamicin, facts, facts.case.as_of.date()) is None
    assert right_since(gentamicin, settle(replace(healthy(), age=Age(8, 8)), PROTOCOL)) is None


def test_without_an_age_no_day_is_named() -> None:
    facts = settle(replace(healthy(), age=None), PROTOCOL)
    (not_yet, *_) = [
        each for each in PROTOCOL.medicine_by_code["cotrimoxazole"].contraindications if each.waits
    ]
    assert change_after(NEVIRAPINE, facts, facts.case.as_of.date()) is None
    assert right_since(NEVIRAPINE, facts) is None
    assert lifted(not_yet.when, facts) is None


@pytest.mark.parametrize("age", [0, 14, 27])
def test_the_day_on_which_cotrimoxazole_is_due_is_printed(age: int) -> None:
    made = plan(exposed(age))
    due = healthy().as_of.date() + (28 - age) * DAY
    (visit,) = [each for each in made.follow_ups if each.message.key == "visit.medicine-begins"]
    (why,) = [each for each in made.cautions if each.code == "no-dose-cotrimoxazole-not-yet"]
    assert visit.on == due
    assert f"{due.day} {due:%B} {due.year}" in render(PROTOCOL, why.message)


def test_the_day_is_a_span_where_the_age_is_one() -> None:
    made = plan(exposed(20, 22))
    (why,) = [each for each in made.cautions if each.code == "no-dose-cotrimoxazole-not-yet"]
    today = healthy().as_of.date()
    told = render(PROTOCOL, why.message)
    for due in (today + 6 * DAY, today + 8 * DAY):
        assert f"{due.day} {due:%B} {due.year}" in told


def test_the_request_says_the_same_as_the_plan() -> None:
    """FHIR R4 Timing.repeat.bounds and MedicationRequest.dispenseRequest.validityPeriod."""
    case = exposed(35)
    answer = json.loads(
        write(decide(case, PROTOCOL), base="http://cds-service.example/fhir", language="en")
    )
    resources = [entry["resource"] for entry in answer["entry"]]
    (request,) = [
        each
        for each in resources
        if each["resourceType"] == "MedicationRequest"
        and "nevirapine" in json.dumps(each["contained"]).lower()
    ]
    (dosage,) = request["dosageInstruction"]
    assert dosage["timing"]["repeat"]["boundsDuration"]["value"] == 7
    period = request["dispenseRequest"]["validityPeriod"]
    assert period["end"] == str(case.as_of.date() + 6 * DAY)


@pytest.mark.parametrize(("age", "told"), [(45, False), (46, True), (59, True)])
def test_a_plan_that_reaches_the_end_of_the_protocol_says_so(age: int, *, told: bool) -> None:
    """Section 5, from 60 days another protocol applies (W24 seen); visits at +14 days here."""
    case = exposed(age)
    (*_, last) = sorted(each.on for each in plan(case).follow_ups)
    assert last == case.as_of.date() + 14 * DAY
    said = [each for each in plan(case).cautions if each.code == "protocol-ends"]
    assert bool(said) is told
    if told:
        end = case.as_of.date() + (60 - age) * DAY
        words = render(PROTOCOL, said[0].message)
        assert f"{end.day} {end:%B} {end.year}" in words


def test_a_medicine_that_is_not_given_at_all_changes_on_no_day() -> None:
    known = exposed(45)
    findings = [each for each in known.findings if each.code != "unable-to-feed"]
    unable = replace(known, findings=(*findings, found("unable-to-feed", YES)))
    facts = settle(unable, PROTOCOL)
    assert change_after(NEVIRAPINE, facts, facts.case.as_of.date()) is None
    assert right_since(NEVIRAPINE, facts) is None


def test_where_nothing_is_given_from_a_day_on_no_dose_is_named() -> None:
    limit = Number(Decimal(50), "d", NEVIRAPINE.cite)
    older = MeasureTest("age", "at-least", limit, NEVIRAPINE.cite)
    barred = Contraindication("cannot-swallow", NEVIRAPINE.cite, older, "high")
    medicine = replace(NEVIRAPINE, contraindications=(barred,))
    facts = settle(exposed(45), PROTOCOL)
    change = change_after(medicine, facts, facts.case.as_of.date())
    assert change is not None
    assert (change.on, change.dose) == (facts.case.as_of.date() + 5 * DAY, None)
    told = dict(change_told(change, 1))["amount"]
    assert told == Message("amount.as-ordered")


def test_what_does_not_end_by_the_age_has_no_day() -> None:
    facts = settle(exposed(35), PROTOCOL)
    for item in PROTOCOL.medicine_by_code["cotrimoxazole"].contraindications:
        assert lifted(item.when, facts) is None


def test_a_draft_of_what_is_not_due_is_judged_by_the_age_of_today() -> None:
    facts, draft = settle(exposed(35), PROTOCOL), DraftOrder("", medicine="nevirapine")
    assert due_dates(draft, None, facts) == facts.case.as_of.date()


def test_only_an_amount_of_substance_is_turned_into_a_mass() -> None:
    with pytest.raises(QuantityError, match="no amount of substance"):
        as_mass(Quantity.of(1, "mg/dL"), Decimal("180.156"))
