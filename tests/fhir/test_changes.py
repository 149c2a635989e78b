"""What differs between two answers, in words, and which is the worst."""

from decimal import Decimal
from itertools import pairwise

import pytest

from cds_service.fhir.changes import (
    Change,
    Kind,
    care_differences,
    changes,
    class_move,
    refused,
)
from cds_service.fhir.gist import HERE, REFER, Caution, Dose, Gist, Order, Referral
from tests import examples

MUST, CHOICE = Referral(urgent=True, only=True), Referral(urgent=True, only=False)


def dose(milligrams: str, a_day: int = 1, days: str | None = "7") -> Dose:
    length = None if days is None else Decimal(days)
    return Dose("1 mL", Decimal(milligrams), "mg", a_day, length)


def order(
    name: str = "Gentamicin",
    given: Dose | None = dose("25"),  # noqa: B008 - frozen
    *,
    branch: str = HERE,
    antibiotic: bool = True,
    form: str = "vial",
) -> Order:
    return Order(branch, name, name, antibiotic, form, given, ("as the vial says",))


OLD = Gist(
    status="success",
    classes={"severe": "Severe infection"},
    referral=CHOICE,
    emergency={"nothing-by-mouth": "Nothing by mouth."},
    orders=(order(), order("Amoxicillin", dose("125", 2)), order("ORS", None, antibiotic=False)),
    cautions=(Caution("weigh", "high", ("Weigh again.",)), Caution("ask", "low", ("Ask.",))),
    visits=(("2026-05-04", "2026-05-04: look again"), ("2026-05-08", "2026-05-08: look again")),
    care=("Keep warm.",),
    told=("Come back.",),
    needed=("weight",),
)
GENTAMICIN, AMOXICILLIN, ORS = OLD.orders


def kinds(new: Gist, old: Gist = OLD) -> list[Kind]:
    return [change.kind for change in changes(old, new)]


def words(new: Gist, old: Gist = OLD) -> list[str]:
    return [change.words for change in changes(old, new)]


def test_the_same_is_no_change() -> None:
    assert changes(OLD, OLD) == ()


@pytest.mark.parametrize(
    ("new", "expected"),
    [
        (OLD._replace(referral=None), Kind.REFERRAL_LOST),
        (OLD._replace(referral=Referral(urgent=False, only=True)), Kind.REFERRAL_LOST),
        (OLD._replace(referral=MUST), Kind.REFERRAL_NEW),
        (OLD._replace(emergency={}), Kind.EMERGENCY_LOST),
        (OLD._replace(emergency={"nothing-by-mouth": "Sips."}), Kind.TOLD),
        (OLD._replace(emergency=OLD.emergency | {"glucose": "Give."}), Kind.MEDICINE_NEW),
        (OLD._replace(orders=(GENTAMICIN, ORS)), Kind.ANTIBIOTIC_LOST),
        (OLD._replace(orders=(GENTAMICIN, AMOXICILLIN)), Kind.MEDICINE_LOST),
        (
            OLD._replace(orders=(GENTAMICIN, order("Ampicillin"), ORS)),
            Kind.MEDICINE_LOST,  # another antibiotic instead: as many as before
        ),
        (OLD._replace(orders=(*OLD.orders, order("Ampicillin"))), Kind.MEDICINE_NEW),
        (OLD._replace(orders=(order(given=dose("26")), *OLD.orders[1:])), Kind.DOSE_HIGHER),
        (OLD._replace(orders=(order(given=dose("25", 2)), *OLD.orders[1:])), Kind.DOSE_HIGHER),
        (OLD._replace(orders=(order(given=dose("25", 1, "9")), *OLD.orders[1:])), Kind.DOSE_HIGHER),
        (OLD._replace(orders=(order(given=dose("24.9")), *OLD.orders[1:])), Kind.DOSE_LOWER),
        (OLD._replace(orders=(order(given=dose("25", 1, "5")), *OLD.orders[1:])), Kind.DOSE_LOWER),
        (OLD._replace(orders=(order(form="ampoule"), *OLD.orders[1:])), Kind.MEDICINE_OTHER),
        (
            OLD._replace(orders=(GENTAMICIN, AMOXICILLIN, ORS._replace(words=("more",)))),
            Kind.MEDICINE_OTHER,
        ),
        (OLD._replace(classes={"local": "Local infection"}), Kind.CLASS),
        (OLD._replace(classes={"severe": "Very severe"}), Kind.TOLD),
        (OLD._replace(cautions=OLD.cautions[1:]), Kind.CAUTION_LOST),
        (OLD._replace(cautions=(Caution("weigh", "low", ()),)), Kind.CAUTION_LOST),
        (OLD._replace(cautions=OLD.cautions[:1]), Kind.CAUTION),
        (OLD._replace(cautions=(*OLD.cautions, Caution("more", "low", ()))), Kind.CAUTION),
        (
            OLD._replace(cautions=(OLD.cautions[0]._replace(words=("W.",)), OLD.cautions[1])),
            Kind.CAUTION,
        ),
        (OLD._replace(visits=OLD.visits[:1]), Kind.VISIT_LATER),
        (
            OLD._replace(visits=(("2026-05-05", "2026-05-05: look"), OLD.visits[1])),
            Kind.VISIT_LATER,
        ),
        (OLD._replace(visits=(("2026-05-03", "2026-05-03: look"), *OLD.visits)), Kind.CAUTION),
        (OLD._replace(visits=(("2026-05-04", "2026-05-04: ask"), OLD.visits[1])), Kind.CAUTION),
        (OLD._replace(status="data-required"), Kind.ASKED),
        (OLD._replace(needed=()), Kind.ASKED),
        (OLD._replace(care=()), Kind.TOLD),
        (OLD._replace(told=("Stay.",)), Kind.TOLD),
    ],
)
def test_each_change_has_its_kind(new: Gist, expected: Kind) -> None:
    assert kinds(new)[0] is expected


def test_referral_that_becomes_a_choice_is_worse_than_one_that_becomes_the_only_course() -> None:
    must = OLD._replace(referral=MUST)
    assert kinds(OLD, must) == [Kind.REFERRAL_A_CHOICE]
    assert kinds(must, OLD) == [Kind.REFERRAL_NEW]


def test_referral_that_was_not_urgent_is_no_urgent_referral_lost() -> None:
    old = OLD._replace(referral=Referral(urgent=False, only=True))
    assert kinds(OLD._replace(referral=None), old) == [Kind.VISIT_LATER]
    assert kinds(old, OLD._replace(referral=None)) == [Kind.REFERRAL_NEW]


def test_a_course_that_is_not_proposed_any_more_loses_no_antibiotic() -> None:
    # Referral is the only course now, and its antibiotics are given before it.
    before = order(branch=REFER, given=dose("25", 0, None))
    old = OLD._replace(orders=(before, GENTAMICIN))
    new = old._replace(orders=(before,), referral=MUST)
    assert kinds(new, old) == [Kind.REFERRAL_NEW, Kind.MEDICINE_OTHER]


def test_no_antibiotic_at_all_is_an_antibiotic_less_whatever_the_course() -> None:
    old = OLD._replace(orders=(GENTAMICIN,))
    assert Kind.ANTIBIOTIC_LOST in kinds(old._replace(orders=(), referral=MUST), old)
    before = old._replace(orders=(order(branch=REFER),))
    assert kinds(before._replace(orders=(), referral=None), before)[:2] == [
        Kind.REFERRAL_LOST,
        Kind.ANTIBIOTIC_LOST,
    ]


def test_an_antibiotic_less_before_referral_counts_although_it_is_given_here() -> None:
    old = OLD._replace(orders=(order(branch=REFER), GENTAMICIN))
    found = changes(old, old._replace(orders=(GENTAMICIN,)))
    assert [change.kind for change in found] == [Kind.ANTIBIOTIC_LOST]
    assert found[0].words.startswith("Gentamicin before referral less")


def test_the_larger_step_of_a_dose_comes_first() -> None:
    new = OLD._replace(orders=(order(given=dose("30")), order("Amoxicillin", dose("250", 2)), ORS))
    assert words(new) == [
        (
            "Amoxicillin: vial, 1 mL = 125 mg 2 a day for 7 days -> "
            "vial, 1 mL = 250 mg 2 a day for 7 days"
        ),
        (
            "Gentamicin: vial, 1 mL = 25 mg 1 a day for 7 days -> "
            "vial, 1 mL = 30 mg 1 a day for 7 days"
        ),
    ]
    assert [change.less for change in changes(OLD, new)] == [-2.0, -1.2]


def test_a_dose_of_nothing_before_is_no_division_by_nothing() -> None:
    old = OLD._replace(orders=(order(given=dose("0")),))
    (change,) = changes(old, old._replace(orders=(order(),)))
    assert change.kind is Kind.DOSE_HIGHER


def test_amounts_in_other_units_are_not_compared() -> None:
    units = dose("25")._replace(unit="IU")
    new = OLD._replace(orders=(order(given=units), *OLD.orders[1:]))
    assert kinds(new) == [Kind.MEDICINE_OTHER]


def test_the_worst_comes_first_and_all_are_told() -> None:
    new = Gist("data-required", {}, None, {}, (), (), (), (), (), ())
    found = changes(OLD, new)
    assert [change.kind for change in found] == sorted(change.kind for change in found)
    assert found[0].kind is Kind.REFERRAL_LOST
    assert {change.kind for change in found} >= {
        Kind.EMERGENCY_LOST, Kind.ANTIBIOTIC_LOST, Kind.MEDICINE_LOST, Kind.CLASS,
        Kind.CAUTION_LOST, Kind.VISIT_LATER, Kind.ASKED, Kind.TOLD,
    }  # fmt: skip


def test_losing_referral_is_worse_than_any_dose_and_a_refusal_is_the_worst() -> None:
    assert refused("no patient") == (Change(Kind.REFUSED, 0, "refused: no patient"),)
    order_of_harm = (
        Kind.REFUSED, Kind.REFERRAL_LOST, Kind.ANTIBIOTIC_LOST, Kind.DOSE_HIGHER, Kind.DOSE_LOWER,
        Kind.CLASS, Kind.REFERRAL_NEW, Kind.TOLD,
    )  # fmt: skip
    assert all(worse < better for worse, better in pairwise(order_of_harm))
    assert len({kind.words for kind in Kind}) == len(Kind)


def test_only_classes_that_differ_are_in_a_move() -> None:
    old = OLD._replace(classes={"a": "A", "b": "B"})
    assert class_move(old, old) == ""
    assert class_move(old, old._replace(classes={"b": "B", "c": "C"})) == "A -> C"
    assert class_move(old, old._replace(classes={"b": "B"})) == "A -> no class"


def test_care_in_another_order_is_told_as_that() -> None:
    old = OLD._replace(care=("A.", "B."))
    assert words(old._replace(care=("B.", "A.")), old) == ["care: the same in another order"]
    assert words(old._replace(care=("B.", "C.")), old) == ["care: less: A.; more: C."]


def test_two_answers_are_compared_for_care() -> None:
    then = examples.compact(examples.stored("01-fever-refer-or-treat"))
    now = then.replace(b'"value":25,"unit":"mg"', b'"value":52,"unit":"mg"', 1)
    (said,) = care_differences(then, now)
    assert said.startswith("a higher dose, or a longer course: Gentamicin before referral: ")
    assert care_differences(then, then.replace(b"citation", b"Citation"))[0].startswith("No class")
    assert care_differences(then, b"{")[0].startswith("What differs for care cannot be said")
