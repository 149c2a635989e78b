"""Courses that run, for the tests of them: doses and orders, and the infant at a later visit."""

from datetime import datetime, timedelta

from cds_service.case import Case, EarlierClass, GivenDose, MedicineInUse, MissedDose, Origin
from cds_service.engine.model import Plan, RunningCourse
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.test_edges import AT, NO, YES, found
from tests.engine.test_left_out import healthy, severe

DAY = timedelta(days=1)
HALF = timedelta(hours=12)
DAYS = {"gentamicin": 7, "amoxicillin": 7}
EVERY = {"gentamicin": DAY, "amoxicillin": HALF}
NOT_BEFORE = {"gentamicin": timedelta(hours=20), "amoxicillin": timedelta(hours=8)}
HIV = "mother-hiv-positive"


def dose(medicine: str, at: datetime | None) -> GivenDose:
    return GivenDose(medicine, at, Origin(f"MedicationAdministration/{medicine}-{at}"))


def missed(medicine: str, at: datetime) -> MissedDose:
    return MissedDose(medicine, at, Origin(f"MedicationAdministration/not-{medicine}-{at}"))


def order(medicine: str, since: datetime, **changes: object) -> MedicineInUse:
    told = MedicineInUse(
        medicine,
        Origin(f"MedicationRequest/{medicine}"),
        since=since,
        days=DAYS[medicine],
        a_day=int(DAY / EVERY[medicine]),
        amount=Quantity.of("0.5", "{tbl}") if medicine == "amoxicillin" else None,
        ordered=True,
    )
    return told._replace(**changes)  # type: ignore[arg-type]


def follow_up(since: datetime, *more: object, **changes: object) -> Case:
    """The infant of a severe infection at a visit after the first, better."""
    earlier = (EarlierClass("clinical-severe-infection", since, Origin("Condition/1")),)
    known = severe(earlier=earlier, **changes)
    answers = {"course-better": YES, "course-same": NO, "course-worse": NO, "feeding-poorly": NO}
    findings = [one for one in known.findings if one.code not in answers]
    findings += [found(code, answer) for code, answer in answers.items()]
    return replace(known, findings=(*findings, *more))


def course(plan: Plan, medicine: str) -> RunningCourse:
    (one,) = [each for each in plan.courses if each.medicine == medicine]
    return one


def counts(one: RunningCourse) -> tuple[int, int, int, int, int]:
    return one.day, one.given, one.missed, one.unrecorded, one.left


def slots(medicine: str, day: int) -> list[datetime]:
    """The times of the doses before now, when the course began `day - 1` days ago."""
    every = EVERY[medicine]
    return [AT - every * back for back in range(int(DAY / every) * (day - 1), 0, -1)]


def vomit(minutes_ago: int | None) -> object:
    one = found("vomited-after-dose", YES)
    return one._replace(at=None if minutes_ago is None else AT - timedelta(minutes=minutes_ago))


def amoxicillin(*more: object, **changes: object) -> Case:
    """A course of amoxicillin since yesterday by order, every dose recorded."""
    times = slots("amoxicillin", 2)
    given = tuple(dose("amoxicillin", at) for at in times)
    told = {"given": given, "in_use": (order("amoxicillin", times[0]),), **changes}
    return follow_up(times[0], *more, **told)


def prophylaxis(medicine: str, days: int, *more: object, **changes: object) -> Case:
    """A well infant whose doses once a day, or as its order says, have all been given."""
    times = [AT - DAY * back for back in range(days, 0, -1)]
    use = order("gentamicin", times[0], days=days)._replace(medicine=medicine)
    given = tuple(dose(medicine, at) for at in times)
    known = healthy(in_use=(use,), given=given, **changes)
    return replace(known, findings=(*(one for one in known.findings if one.code != HIV), *more))
