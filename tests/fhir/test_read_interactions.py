"""Products that are not the protocol's own, in use: signs of interactions.

Clinical content, section 5: ceftriaxone with calcium, gentamicin with kidney harm; paracetamol,
aspirin, cough remedies and zinc are no part of the protocol. ATC codes: from memory.
"""

import json

import pytest

from cds_service.case import Answer, Case
from cds_service.engine import decide
from cds_service.fhir.read import read
from tests.fhir.sending import (
    ATC,
    NOW,
    Json,
    bundle,
    case,
    concept,
    encounter,
    finding,
    infant,
    patient,
    protocol,
    weight,
)
from tests.fhir.test_read_medicines import dose, order, statement

AMIKACIN, VANCOMYCIN, FUROSEMIDE = "J01GB06", "J01XA01", "C03CA01"


def signs(*resources: Json) -> list[str]:
    known = case(patient(), *resources)
    assert known.refusals == ()
    return [one.code for one in known.findings if one.answer is Answer.YES and one.at == NOW]


def product(atc: str) -> Json:
    return order(medicationCodeableConcept=concept(ATC, atc))


def named(words: str) -> Json:
    return order(medicationCodeableConcept={"text": words})


@pytest.mark.parametrize(
    ("atc", "expected"),
    [
        ("A12AA03", ["calcium-infusion"]),  # calcium gluconate
        ("B05BB01", ["calcium-infusion"]),  # electrolytes
        (FUROSEMIDE, ["loop-diuretic-in-use"]),
        (VANCOMYCIN, ["ototoxic-medicine-in-use", "other-antibiotic-in-use"]),
        ("J01CF02", ["other-antibiotic-in-use"]),  # cloxacillin
        ("N02BE01", ["not-for-young-infants"]),  # paracetamol
        ("N02BA01", ["not-for-young-infants"]),  # acetylsalicylic acid
        ("R05DA09", ["not-for-young-infants"]),  # dextromethorphan
        ("A12CB01", ["not-for-young-infants"]),  # zinc sulfate
    ],
)
def test_a_product_in_use_answers_its_sign(atc: str, expected: list[str]) -> None:
    assert sorted(signs(product(atc))) == sorted(expected)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("Ringer's lactate 250 mL", ["calcium-infusion"]),
        ("Calcium gluconate 10 %", ["calcium-infusion"]),
        ("Furosemide 2 mg", ["loop-diuretic-in-use"]),
        ("Cloxacillin IV", ["other-antibiotic-in-use"]),
        ("paracetamol syrup", ["not-for-young-infants"]),
    ],
)
def test_the_words_say_enough_where_there_is_no_code(words: str, expected: list[str]) -> None:
    assert signs(named(words)) == expected


@pytest.mark.parametrize("atc", ["J01CA04", "J01CA01", "J01CE01", "J01GB03", "J01DD04"])
def test_the_protocols_own_medicines_are_no_interaction(atc: str) -> None:
    assert signs(product(atc)) == []


def test_another_substance_of_the_group_stands_for_the_medicine_and_is_an_interaction() -> None:
    read = case(patient(), product(AMIKACIN))
    (use,) = read.in_use
    assert (use.medicine, use.ordered) == ("gentamicin", False)
    assert sorted(signs(product(AMIKACIN))) == [
        "other-antibiotic-in-use",
        "ototoxic-medicine-in-use",
    ]


def test_a_product_that_nobody_knows_is_still_refused() -> None:
    read = case(patient(), product("C01AA05"))
    assert [one.reason for one in read.refusals] == ["medicine-not-understood"]


@pytest.mark.parametrize(
    ("given", "counts"),
    [
        ("2026-05-01T08:00:00+02:00", True),
        ("2026-04-29T09:40:00+02:00", True),  # 48 h before
        ("2026-04-29T09:39:00+02:00", False),
        (..., True),  # nobody knows when: it may be now
    ],
)
def test_a_dose_counts_while_it_is_recent(given: str, counts: bool) -> None:
    one = dose(concept(ATC, FUROSEMIDE), effectiveDateTime=given)
    assert signs(one) == (["loop-diuretic-in-use"] if counts else [])


def test_a_statement_counts_while_its_time_lasts() -> None:
    medicine = concept(ATC, FUROSEMIDE)
    assert signs(statement(medicationCodeableConcept=medicine)) == ["loop-diuretic-in-use"]
    over = statement(medicationCodeableConcept=medicine, effectivePeriod={"end": "2026-04-20"})
    read = case(patient(), over)
    assert (read.findings, [one.reason for one in read.refusals]) == ((), ["medicine-ended"])


def test_an_order_that_cannot_be_used_leaves_its_question_open() -> None:
    unsure = order(medicationCodeableConcept=concept(ATC, FUROSEMIDE), status="unknown")
    (refusal,) = case(patient(), unsure).refusals
    assert (refusal.reason, refusal.code) == ("status-not-usable", "loop-diuretic-in-use")


def cautions(read: Case) -> dict[str, str]:
    return {one.code: one.severity for one in decide(read, protocol()).plan.cautions}


def severe(*resources: Json) -> Case:
    """Feeding poorly at nineteen days, referral not possible: gentamicin and amoxicillin."""
    sick = [one for one in infant(weight()) if one["id"] != "feeding-poorly"]
    here = finding("referral-possible")
    return case(*sick, finding("feeding-poorly", valueBoolean=True), here, *resources)


@pytest.mark.parametrize(
    ("atc", "expected"),
    [
        (FUROSEMIDE, {"with-loop-diuretic"}),
        (VANCOMYCIN, {"with-ototoxic-medicine", "duplicate-antibiotic"}),
        ("J01CF02", {"duplicate-antibiotic"}),
    ],
)
def test_what_does_not_go_with_gentamicin_or_twice_is_a_high_caution(
    atc: str, expected: set[str]
) -> None:
    ours = {"with-loop-diuretic", "with-ototoxic-medicine", "duplicate-antibiotic"}
    told = cautions(severe(product(atc)))
    assert ours & set(told) == expected
    assert {told[code] for code in expected} == {"high"}
    assert not ours & set(cautions(severe()))


def test_a_duplicate_antibiotic_is_said_of_each_order() -> None:
    plan = decide(severe(product("J01CF02")), protocol()).plan
    about = {one.medicine for one in plan.cautions if one.code == "duplicate-antibiotic"}
    assert about == {order.dose.medicine.code for order in plan.orders} >= {"gentamicin"}


def test_a_remedy_that_is_not_for_this_age_is_said_whatever_the_class() -> None:
    assert cautions(case(*infant(weight()), product("N02BE01")))["not-for-young-infants"]


def critical(*resources: Json) -> list[Json]:
    """Convulsions at thirty days, referral not possible, every condition of ceftriaxone met."""
    known = [finding(c) for c in ("jaundice", "calcium-infusion", "penicillin-allergy",
                                  "cephalosporin-allergy", "referral-possible")]  # fmt: skip
    sick = [one for one in infant(weight()) if one["id"] != "convulsions"]
    sick += [finding("convulsions", valueBoolean=True), *known]
    sick[0] = patient(birthDate="2026-04-01")  # the conditions on the weeks do not apply
    return [*sick, *resources]


def ordered(known: Case) -> set[str]:
    return {order.dose.medicine.code for order in decide(known, protocol()).plan.orders}


def test_calcium_in_use_stops_the_offer_of_ceftriaxone() -> None:
    # LBL (seen): no IV calcium; unknown or present means not offered.
    assert "ceftriaxone" in ordered(case(*critical()))
    assert "ceftriaxone" not in ordered(case(*critical(product("A12AA03"))))


def test_calcium_in_use_acts_beside_a_no_that_was_recorded_later() -> None:
    # The visit is dated by its start, so that every answer of it is later than the visit.
    visit = encounter(period={"start": "2026-05-01T09:00:00+02:00"})
    said = bundle(*critical(visit, product("A12AA03")))
    known = read(json.dumps(said).encode(), protocol(), now=NOW).case
    assert known.as_of < NOW
    assert "ceftriaxone" not in ordered(known)


def test_calcium_that_has_run_for_days_is_in_use() -> None:
    since = {"start": "2026-04-27T09:00:00+02:00"}
    runs = dose(
        concept(ATC, "A12AA03"), status="in-progress", effectiveDateTime=..., effectivePeriod=since
    )
    assert signs(runs) == ["calcium-infusion"]
    assert "ceftriaxone" not in ordered(case(*critical(runs)))


@pytest.mark.parametrize(
    ("end", "offered"),
    [
        ("2026-04-29T09:40:00+02:00", False),  # LBL (seen): within 48 h
        ("2026-04-29T09:39:00+02:00", True),
        ("2026-04-29", False),  # at an hour that is not known
        ("2026-04-28", True),
    ],
)
def test_calcium_that_has_ended_counts_for_48_hours(end: str, offered: bool) -> None:
    ended = statement(
        medicationCodeableConcept=concept(ATC, "A12AA03"), effectivePeriod={"end": end}
    )
    known = case(*critical(ended))
    assert ("ceftriaxone" in ordered(known)) is offered
    assert [one.reason for one in known.refusals] == ["medicine-ended"]


@pytest.mark.parametrize("words", ["Gentamicine inj 20mg", "gentamicina", "GENTAMICINUM"])
def test_a_dose_under_a_name_that_is_nearly_a_medicine_holds_its_next(words: str) -> None:
    one = dose({"text": words})
    (refusal,) = case(patient(), one).refusals
    assert (refusal.reason, refusal.code) == ("medicine-not-understood", "gentamicin")
    plan = decide(severe(one), protocol()).plan
    assert "gentamicin" not in {order.dose.medicine.code for order in plan.orders}
