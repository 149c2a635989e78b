"""What is said to be in use without an order is held against what is due, and never gone on with.

Clinical content, section 3: one medicine, one order; section 4: amoxicillin 3.4 kg 125 mg twice a
day, gentamicin 7.5 mg/kg. How far is too far: the limits of the content for orders (practice).
"""

import pytest

from cds_service.case import Case, MedicineInUse, Origin
from cds_service.content.text import render
from cds_service.engine.identity import canonical
from cds_service.engine.model import Decision
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.courses import DAY, HALF, amoxicillin, course, dose, order
from tests.engine.test_edges import AT, PROTOCOL, YES, found
from tests.engine.test_left_out import cautions, healthy, made, severe

DIFFERS, HIGH = "in-use-differs", "in-use-too-high"
TABLET, LIQUID = "amoxicillin-dispersible-tablet-250mg", "amoxicillin-suspension-125mg-5ml"


def said(medicine: str = "amoxicillin", measured: str = "", **changes: object) -> MedicineInUse:
    amount = Quantity.of(*measured.split()) if measured else None
    known = MedicineInUse(medicine, Origin("MedicationStatement/1"), amount=amount)
    return known._replace(**changes)  # type: ignore[arg-type]


def words(decision: Decision, code: str) -> str:
    (one,) = [each for each in decision.plan.cautions if each.code == code]
    return str(render(PROTOCOL, one.message))


def ordered(decision: Decision) -> set[str]:
    return {each.dose.medicine.code for each in decision.plan.orders}


def about(decision: Decision) -> dict[str, str]:
    """The cautions of what is said to be in use."""
    codes = ("in-use-", "no-dose-said", "no-dose-already")
    return {code: how for code, how in cautions(decision).items() if code.startswith(codes)}


def test_no_order_is_written_beside_it_and_what_is_due_is_told() -> None:
    decision = made(severe(in_use=(said(),), stock=frozenset({TABLET})))
    assert "amoxicillin" not in ordered(decision)
    assert about(decision) == {"no-dose-said-to-be-given": "high"}
    told = words(decision, "no-dose-said-to-be-given")
    assert "said to be given already (how much is not recorded)" in told
    assert "By the protocol half a tablet = 125 mg" in told
    assert "twice a day" in told
    assert "Record each dose that was given" in told
    asked = {each.code: each.required for each in decision.plan.missing if each.kind == "medicine"}
    assert asked == {"amoxicillin": True}
    (one,) = [each for each in decision.plan.cautions if each.medicine == "amoxicillin"]
    assert one.origins == (said().origin,)


def test_doses_that_are_recorded_say_what_remains_so_an_order_is_written_for_it() -> None:
    known = severe(in_use=(said(),), given=(dose("amoxicillin", AT - HALF),))
    decision = made(known)
    (one,) = [each for each in decision.plan.orders if each.dose.medicine.code == "amoxicillin"]
    assert one.doses == 13  # of seven days, twice a day
    assert about(decision) == {"in-use-unordered": "moderate"}
    # A dose of which nobody knows when it was given says nothing of what remains.
    unclear = made(replace(known, given=(dose("amoxicillin", None),)))
    assert "amoxicillin" not in ordered(unclear)
    assert about(unclear) == {"no-dose-said-to-be-given": "high"}


def test_an_order_that_says_too_little_to_be_counted_is_told_with_what_is_due() -> None:
    bare = order("amoxicillin", AT)._replace(since=None, days=None, a_day=None, amount=None)
    decision = made(severe(in_use=(bare,), stock=frozenset({LIQUID})))
    assert about(decision) == {"no-dose-already-being-given": "high"}
    told = words(decision, "no-dose-already-being-given")
    assert "By the protocol 5 mL = 125 mg (125 mg in 5 mL) is due, twice a day" in told
    assert "hold the order against that" in told


def test_without_a_weight_what_is_due_is_not_known() -> None:
    known = severe(in_use=(said(),))
    kept = tuple(one for one in known.measurements if one.kind != "weight")
    decision = made(replace(known, measurements=kept))
    assert "amoxicillin" not in ordered(decision)
    assert about(decision) == {"in-use-unordered": "moderate"}
    bare = order("gentamicin", AT)._replace(since=None, days=None)
    told = made(replace(known, measurements=kept, in_use=(said(), bare)))
    assert "gentamicin" not in ordered(told)


@pytest.mark.parametrize(
    ("use", "differs"),
    [
        (said(measured="10 mL", a_day=2, formulation=LIQUID), HIGH),
        (said(measured="5 mL", a_day=3, formulation=LIQUID), HIGH),
        (said(measured="5 mL", a_day=2, formulation=LIQUID), None),
        (said(measured="5 mL", a_day=1, formulation=LIQUID), DIFFERS),
        (said(measured="2 mL", a_day=1, formulation=LIQUID), DIFFERS),
        (said(measured="2.5 mL", formulation=LIQUID), DIFFERS),
        (said(measured="250 mg"), HIGH),
        (said(measured="125 mg"), None),
        (said(measured="0.5 {tbl}", formulation=TABLET), None),
        (said(measured="1 {tbl}", formulation=TABLET), HIGH),
        (said(a_day=2), None),
        (said(a_day=1), DIFFERS),
    ],
)
def test_what_is_given_is_held_against_what_is_due(use: MedicineInUse, differs: str | None) -> None:
    for known in (severe(in_use=(use,)), healthy(in_use=(use,))):
        told = {code for code in cautions(made(known)) if code in (HIGH, DIFFERS)}
        assert told == ({differs} if differs else set())


def test_without_a_dose_to_compare_with_the_ceiling_judges() -> None:
    # Section 4: no single dose above 60 mg of gentamicin at this age.
    for measured, told in (("61 mg", {HIGH}), ("60 mg", set())):
        known = healthy(in_use=(said("gentamicin", measured),))
        kept = tuple(one for one in known.measurements if one.kind != "weight")
        found_codes = set(cautions(made(replace(known, measurements=kept))))
        assert found_codes & {HIGH, DIFFERS} == told


def test_after_too_much_nothing_more_is_ordered_or_gone_on_with() -> None:
    use = said(measured="1 {tbl}", formulation=TABLET)
    given = (dose("amoxicillin", AT - HALF),)
    assert "amoxicillin" not in ordered(made(severe(in_use=(use,), given=given)))
    running = amoxicillin()
    decision = made(replace(running, in_use=(*running.in_use, use)))
    assert course(decision.plan, "amoxicillin").state == "hold"


def test_an_order_that_is_over_makes_no_order_of_a_statement() -> None:
    old = order("amoxicillin", AT - 30 * DAY)
    decision = made(severe(in_use=(old, said())))
    assert "amoxicillin" not in ordered(decision)
    assert about(decision) == {"no-dose-said-to-be-given": "high"}


def test_amount_and_times_are_told_together_with_what_to_do() -> None:
    use = said(measured="10 mL", a_day=3, formulation=LIQUID)
    decision = made(healthy(in_use=(use,), stock=frozenset({LIQUID})))
    told = words(decision, HIGH)
    assert "said to be given (10 mL three times a day)" in told
    assert "it would be 5 mL = 125 mg (125 mg in 5 mL) twice a day" in told
    assert "Give no further dose before advice: telephone at once." in told
    assert "ask who gives it and since when" in told
    assert set(about(decision)) == {HIGH}
    origins = {each.origins for each in decision.plan.cautions if each.code.startswith("in-use")}
    assert origins == {(use.origin,)}


def test_the_first_that_says_how_much_is_told() -> None:
    uses = (said(), said(measured="125 mg", origin=Origin("MedicationStatement/2")))
    told = words(made(healthy(in_use=uses)), "in-use-unordered")
    assert "said to be given (125 mg)" in told


def test_what_no_class_asks_for_is_asked_about() -> None:
    for medicine in ("amoxicillin", "gentamicin", "nystatin"):
        decision = made(healthy(in_use=(said(medicine),)))
        assert about(decision) == {"in-use-unordered": "moderate"}
        assert "look at the bottle" in words(decision, "in-use-unordered").lower()


def test_beside_an_order_that_runs_only_what_differs_is_said() -> None:
    known = amoxicillin()
    for measured, expected in (("0.25 {tbl}", {DIFFERS: "high"}), ("0.5 {tbl}", {})):
        use = said(measured=measured, formulation=TABLET)
        decision = made(replace(known, in_use=(*known.in_use, use)))
        assert about(decision) == expected
        assert course(decision.plan, "amoxicillin").state == "continue"


@pytest.mark.parametrize("use", [said(), said(ordered=True)])
def test_against_an_allergy_it_stops(use: MedicineInUse) -> None:
    known = healthy(found("penicillin-allergy", YES), in_use=(use,))
    decision = made(known)
    assert about(decision) == {"in-use-forbidden": "high"}
    told = words(decision, "in-use-forbidden")
    assert "allergy" in told
    assert told.endswith("Let no further dose of it be given, and telephone for advice.")


@pytest.mark.parametrize(
    ("medicine", "sign", "told"),
    [
        ("gentamicin", "little-urine", "little urine"),
        ("gentamicin", "drug-reaction", "Gentamicin"),
        ("ceftriaxone", "calcium-infusion", "conditions is not met"),
        ("ceftriaxone", "jaundice", "conditions is not met"),
    ],
)
def test_what_is_forbidden_today_stops(medicine: str, sign: str, told: str) -> None:
    # Section 5: ceftriaxone never with calcium into a vein or jaundice; gentamicin and urine.
    use = said(medicine)
    known = healthy(in_use=(use,))
    kept = tuple(one for one in known.findings if one.code != sign)
    decision = made(replace(known, findings=(*kept, found(sign, YES))))
    assert about(decision)["in-use-forbidden"] == "high"
    assert told in words(decision, "in-use-forbidden")
    assert "in-use-forbidden" not in about(made(replace(known, findings=kept)))


def test_what_is_not_met_is_named() -> None:
    known = healthy(found("calcium-infusion", YES), in_use=(said("ceftriaxone"),))
    (one,) = [each for each in made(known).plan.cautions if each.code == "in-use-forbidden"]
    assert one.action is not None
    assert "alcium" in str(render(PROTOCOL, one.action))


def test_another_of_its_kind_that_is_ordered_is_named() -> None:
    # ATC J01C: penicillins.
    for medicine, expected in (("benzylpenicillin", {"in-use-beside"}), ("nystatin", set())):
        decision = made(severe(in_use=(said(medicine),)))
        assert "amoxicillin" in ordered(decision)
        assert set(about(decision)) - {"in-use-unordered"} == expected
        if expected:
            told = words(decision, "in-use-beside")
            assert "Amoxicillin, of the same kind, is ordered here. Never both" in told


def test_a_first_day_before_the_birth_is_not_believed() -> None:
    use = said(measured="250 mg", since=AT - 300 * DAY)
    assert HIGH in about(made(healthy(in_use=(use,))))
    assert HIGH in about(made(replace(healthy(in_use=(use,)), age=None)))


def test_an_order_that_ended_long_ago_is_not_spoken_of() -> None:
    old = order("amoxicillin", AT - 30 * DAY)
    known: Case = healthy(found("penicillin-allergy", YES), in_use=(old,))
    assert about(made(known)) == {}


def test_two_cases_that_differ_in_what_is_said_have_two_names() -> None:
    uses = (said(), said(measured="5 mL"), said(measured="5 mL", a_day=2), said("gentamicin"))
    assert len({canonical(healthy(in_use=(use,))) for use in uses}) == len(uses)
