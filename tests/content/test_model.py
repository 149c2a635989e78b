"""What the content's own objects can tell: strengths, look-ups, what the protocol judges."""

from decimal import Decimal

from cds_service.content.load import load
from cds_service.content.memo import Memo
from cds_service.content.model import FindingTest, finding_tests, leaves
from cds_service.quantity import Quantity

PROTOCOL = load()
AMOXICILLIN = PROTOCOL.medicine_by_code["amoxicillin"]
GENTAMICIN = PROTOCOL.medicine_by_code["gentamicin"]


def test_a_teaspoon_of_the_thinner_syrup_contains_125_mg() -> None:
    # Arithmetic on the label's strength, 125 mg/5 mL (LBL).
    syrup = AMOXICILLIN.formulation("amoxicillin-suspension-125mg-5ml")
    assert syrup.contained(Quantity.of(5, "mL")) == Quantity(Decimal(125), "mg")
    assert syrup.amount_for(Decimal(50)) == Decimal(2)


def test_a_strength_reads_as_on_the_label() -> None:
    # LBL; the vial as in CB14, from memory.
    def label(medicine: str, form: str) -> str:
        return PROTOCOL.medicine_by_code[medicine].formulation(form).strength_on_label

    assert label("amoxicillin", "amoxicillin-suspension-125mg-5ml") == "125 mg/5 mL"
    assert label("amoxicillin", "amoxicillin-tablet-250mg") == "250 mg"
    assert label("benzylpenicillin", "benzylpenicillin-vial-1million-iu") == "1000000 IU"


def test_formulations_are_listed_with_their_medicine() -> None:
    pairs = {form.code: medicine.code for medicine, form in PROTOCOL.formulations}
    assert pairs["gentamicin-vial-20mg-2ml"] == "gentamicin"
    assert len(pairs) == sum(len(medicine.formulations) for medicine in PROTOCOL.medicines)


def test_a_plan_is_found_by_its_class() -> None:
    assert PROTOCOL.plan_by_code["critical-illness"].referral == "only"


def test_a_sign_that_means_more_care_acts_when_answered_both_ways() -> None:
    # A24, P20 seen (clinical content, section 1); the other kinds derived.
    acting = PROTOCOL.acting_signs
    assert {"convulsions", "feeding-poorly", "severe-pustules", "umbilicus-red"} <= acting
    assert {"convulsing-now", "kidney-problem", "penicillin-allergy"} <= acting
    assert not {"feeding-well", "moves-on-own", "referral-possible"} & acting


def test_allergy_signs_are_those_that_forbid_a_medicine() -> None:
    # MSF, LBL seen (clinical content, section 5).
    assert PROTOCOL.allergy_signs == {
        "penicillin-allergy",
        "cephalosporin-allergy",
        "aminoglycoside-allergy",
    }


def test_a_sign_is_judged_as_soon_as_a_table_asks_for_it() -> None:
    rows = [row.when for row in PROTOCOL.row_by_code.values() if row.when is not None]
    tested = {test.code for when in rows for test in finding_tests(when)}
    unjudged = {sign.code for sign in PROTOCOL.signs if not sign.judged}
    assert not tested & unjudged
    assert unjudged <= {"vomited-after-dose"}


def test_what_no_table_asks_for_is_unjudged_or_serves_another_purpose() -> None:
    rows = [row.when for row in PROTOCOL.row_by_code.values() if row.when is not None]
    tested = {test.code for when in rows for test in finding_tests(when)}
    serving = {sign.code for sign in PROTOCOL.signs if sign.judged} - tested
    implying = {sign.code for sign in PROTOCOL.implying_signs}
    assert serving - implying - PROTOCOL.allergy_signs == {
        "calcium-infusion",  # ceftriaxone
        "diarrhoea",  # says for whom the table of dehydration is
        "kidney-problem",  # gentamicin
        "little-urine",
        "loop-diuretic-in-use",
        "not-for-young-infants",  # said whatever the classes are
        "other-antibiotic-in-use",  # every antibiotic
        "ototoxic-medicine-in-use",
        "referral-possible",  # refer or treat here
        "vomited-after-dose",  # held against the times of the doses
    }


def test_implying_and_overruled_signs_are_known() -> None:
    assert "feeding-well" in {sign.code for sign in PROTOCOL.implying_signs}
    assert {sign.code for sign in PROTOCOL.overruled_signs} == {"feels-hot", "feels-cold"}


def test_the_flag_weights_of_a_newborn_boy_lie_around_the_median() -> None:
    # Derived: flag limits -6 and +5 z with L 0.3487, M 3.3464, S 0.14602 (WHO file, seen).
    low, high = PROTOCOL.weight_flags["male"][0]
    assert (low.quantize(Decimal("0.01")), high.quantize(Decimal("0.01"))) == (
        Decimal("1.18"),
        Decimal("6.41"),
    )


def test_the_tests_of_a_condition_are_read_in_order() -> None:
    when = PROTOCOL.row_by_code["local-bacterial-infection"].when
    assert when is not None
    assert [test.code for test in finding_tests(when)] == [
        "umbilicus-red",
        "umbilicus-pus",
        "skin-pustules",
    ]
    assert all(isinstance(test, FindingTest) for test in leaves(when))


def test_a_memo_stays_small() -> None:
    memo = Memo()
    for number in range(Memo.LIMIT + 1):
        memo[number] = number
    assert len(memo) == 1


def test_the_protocol_keeps_one_memo() -> None:
    assert PROTOCOL.memo is PROTOCOL.memo


def test_a_source_without_a_known_year_names_none() -> None:
    sources = {source.key: source for source in PROTOCOL.sources}
    assert sources["COIN"].imprint == "Ministry of Health of Malawi"
    assert sources["P20"].imprint == "Public Library of Science, 2020"
