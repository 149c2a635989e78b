"""Courses that run: a ServiceRequest each, never a second MedicationRequest.

`basedOn` is the order that runs, `occurrencePeriod` the next dose due and the last day,
`quantityQuantity` the doses that are left (FHIR R4 servicerequest.html).
"""

from cds_service.engine.course_words import details, title
from cds_service.engine.model import RunningCourse
from cds_service.fhir.codes import UCUM
from cds_service.fhir.write_base import Pen, entry, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, references
from cds_service.fhir.write_shape import CourseShape, Item, is_open
from cds_service.fhir.write_template import Template, members, more


def course_item(house: House, shape: CourseShape) -> Item:
    """What the RequestGroup says about a course."""
    words = house.text(shape.title)
    return Item(f"course.{shape.medicine}", {}, words, shape.branch, (shape.cite,))


def course_request(pen: Pen, course: RunningCourse) -> bytes:
    """One course, with its counts; it is written for this infant alone."""
    # What the caller calls the order goes into a blank: it is never looked into.
    origins = () if course.origin is None else (course.origin,)
    option = is_open(pen.decision.plan.choice, course.branch)
    made = Template.of(entry(_request(pen.house, course, option=option)))
    return pen.fill(made, based=members("basedOn", references(origins)))


def _request(house: House, course: RunningCourse, *, option: bool) -> Json:
    words = house.text(title(course))
    told = " ".join(house.text(each) for each in details(course))
    resource = {
        **start("ServiceRequest", f"course.{course.medicine}"),
        "status": "draft",
        more("based"): None,
        "intent": "option" if option else "proposal",
        "priority": "routine",
        "code": {"coding": [house.own("care", f"{course.state}-course")], "text": words},
        **who_and_when("authoredOn"),
        "note": [{"text": f"{house.title('write.proposal')}\n{told}"}],
    }
    if course.left and course.state != "stop":
        unit = "dose" if course.left == 1 else "doses"
        left = {"value": course.left, "unit": unit, "system": UCUM, "code": "{dose}"}
        resource["quantityQuantity"] = left
    if course.next_due is not None and course.last_day is not None:
        due, last = course.next_due.isoformat(), course.last_day.isoformat()
        # A whole day would begin before the one dose that is left in it (FHIR R4, per-1).
        ends = due if course.last_day == course.next_due.date() else last
        resource["occurrencePeriod"] = {"start": due, "end": ends}
    return resource
