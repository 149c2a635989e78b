"""Which orders and earlier classes make a course, and which of several orders counts.

Clinical content, section 3: one medicine, one order.
"""

from cds_service.case import EarlierClass, Origin
from tests.changing import replace
from tests.engine.courses import DAY, HALF, amoxicillin, course, dose, follow_up, missed, order
from tests.engine.test_edges import AT
from tests.engine.test_left_out import cautions, made, severe


def test_an_order_of_an_illness_long_past_is_none() -> None:
    old = order("amoxicillin", AT - 40 * DAY)
    plan = made(severe(in_use=(old,))).plan
    assert "amoxicillin" in {each.dose.medicine.code for each in plan.orders}


def test_a_course_is_judged_only_where_an_earlier_class_is_known() -> None:
    first = AT - DAY
    told = {"given": (dose("gentamicin", first),), "in_use": (order("gentamicin", first),)}
    assert "course-running" in cautions(made(severe(**told)))
    assert "course-running" not in cautions(made(follow_up(first, **told)))


def test_two_active_orders_of_one_medicine_are_said_and_the_latest_counts() -> None:
    known = amoxicillin()
    later = order("amoxicillin", AT - HALF, days=5, origin=Origin("MedicationRequest/later"))
    decision = made(replace(known, in_use=(*known.in_use, later)))
    assert cautions(decision)["several-orders"] == "moderate"
    assert course(decision.plan, "amoxicillin").origin == later.origin


def test_an_order_that_no_class_asks_for_is_asked_about() -> None:
    first = AT - DAY
    use = order("amoxicillin", first)._replace(medicine="nystatin", a_day=4)
    decision = made(amoxicillin(given=(), in_use=(use,)))
    one = course(decision.plan, "nystatin")
    assert (one.asked_for, one.branch) == (False, "")
    assert cautions(decision)["course-not-asked-for"] == "moderate"


def test_an_order_that_says_neither_since_when_nor_how_long() -> None:
    bare = order("amoxicillin", AT)._replace(since=None, days=None, a_day=None)
    # With doses recorded the course is the one that is due, without them nothing is counted.
    one = course(made(amoxicillin(in_use=(bare,))).plan, "amoxicillin")
    assert (one.total, one.given, one.left) == (14, 2, 12)
    # Of an infant with an earlier class the course is counted from that visit.
    assert course(made(amoxicillin(in_use=(bare,), given=())).plan, "amoxicillin").day == 2
    nothing = made(severe(in_use=(bare,)))
    assert nothing.plan.courses == ()
    assert "no-dose-already-being-given" in cautions(nothing)


def test_an_order_that_no_class_asks_for_and_that_says_no_length_is_no_course() -> None:
    use = order("amoxicillin", AT - DAY, days=None)._replace(medicine="nystatin")
    assert made(severe(in_use=(use,))).plan.courses == ()


def test_an_order_without_an_end_is_not_over_while_doses_are_given() -> None:
    use = order("amoxicillin", AT - 20 * DAY, days=None)
    recent = severe(given=(dose("amoxicillin", AT - HALF),), in_use=(use,))
    assert course(made(recent).plan, "amoxicillin").ordered
    # Nobody knows that it ended, so it is still taken as running.
    assert "amoxicillin" not in {
        one.dose.medicine.code for one in made(severe(in_use=(use,))).plan.orders
    }


def test_two_active_orders_that_differ_wait() -> None:
    known = amoxicillin()
    other = order("amoxicillin", AT - HALF, amount=None, origin=Origin("MedicationRequest/other"))
    decision = made(replace(known, in_use=(*known.in_use, other)))
    assert course(decision.plan, "amoxicillin").state == "hold"
    assert cautions(decision)["several-orders"] == "high"


def test_a_medicine_of_an_earlier_class_that_no_table_follows_up_is_known() -> None:
    # Thrush: nystatin goes on by its order, and the class for which it was begun is sent.
    use = order("amoxicillin", AT - DAY, amount=None)._replace(medicine="nystatin", a_day=4)
    thrush = (EarlierClass("thrush", AT - DAY, Origin("Condition/thrush")),)
    assert "course-running" in cautions(made(severe(in_use=(use,))))
    assert "course-running" not in cautions(made(severe(in_use=(use,), earlier=thrush)))


def test_an_illness_of_three_weeks_ago_is_no_treatment_that_goes_on() -> None:
    earlier = (EarlierClass("clinical-severe-infection", AT - 20 * DAY, Origin("Condition/1")),)
    plan = made(severe(earlier=earlier)).plan
    assert {o.dose.medicine.code: (o.doses, o.first_due) for o in plan.orders} == {
        "gentamicin": (7, AT),
        "amoxicillin": (14, AT),
    }


def test_an_order_without_an_end_is_not_over_while_somebody_records_what_was_missed() -> None:
    use = order("amoxicillin", AT - 20 * DAY, days=None)
    lost = tuple(missed("amoxicillin", AT - ago) for ago in (19 * DAY, HALF))
    assert course(made(severe(missed=lost, in_use=(use,))).plan, "amoxicillin").missed == 2
