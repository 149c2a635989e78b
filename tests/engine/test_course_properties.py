"""Records of any kind: the numbers of a course agree, and every record is part of the question."""

from datetime import timedelta

from hypothesis import given as for_every
from hypothesis import strategies as st

from cds_service.case import Case
from cds_service.engine.identity import canonical
from tests.changing import replace
from tests.engine.courses import NOT_BEFORE, dose, follow_up, missed, order, vomit
from tests.engine.test_edges import AT
from tests.engine.test_left_out import made

RECORDS = st.lists(
    st.tuples(
        st.sampled_from(("given", "missed", "vomited")),
        st.sampled_from(("amoxicillin", "gentamicin")),
        st.integers(0, 9 * 24 * 60),
    ),
    max_size=12,
)
ORDERS = st.lists(
    st.tuples(st.sampled_from(("amoxicillin", "gentamicin")), st.integers(0, 9 * 24 * 60)),
    max_size=3,
)


@st.composite
def records(draw: st.DrawFn) -> Case:
    given, missing, vomits = [], [], []
    for kind, medicine, ago in draw(RECORDS):
        at = AT - timedelta(minutes=ago)
        if kind == "given":
            given.append(dose(medicine, at))
        elif kind == "missed":
            missing.append(missed(medicine, at))
        else:
            vomits.append(vomit(ago))
    in_use = [order(code, AT - timedelta(minutes=ago)) for code, ago in draw(ORDERS)]
    since = AT - timedelta(days=draw(st.integers(0, 9)))
    return follow_up(
        since, *vomits, given=tuple(given), missed=tuple(missing), in_use=tuple(in_use)
    )


@for_every(records())
def test_numbers_of_a_course_never_contradict_each_other(case: Case) -> None:
    plan = made(case).plan
    for one in plan.courses:
        assert one.given + one.left <= one.total or one.left == 0
        assert one.complete is (one.left == 0)
        assert one.day >= 1
        assert min(one.given, one.missed, one.unrecorded, one.left) >= 0
        if one.next_due is not None:
            lost = {f.at for f in case.findings if f.code == "vomited-after-dose"}
            times = [d.at for d in case.given if d.medicine == one.medicine and d.at is not None]
            if times and not lost:
                assert one.next_due >= max(times) + NOT_BEFORE[one.medicine]
            assert one.last_day is not None
            assert one.last_day >= one.next_due.date()
    placed = [(each.branch, each.dose.medicine.code) for each in plan.orders]
    assert len(set(placed)) == len(placed)
    running = {one.medicine for one in plan.courses if one.ordered and one.state == "continue"}
    assert not running & {each.dose.medicine.code for each in plan.orders}


@for_every(records())
def test_every_record_is_part_of_the_question(case: Case) -> None:
    assert canonical(case) != canonical(replace(case, earlier=()))
