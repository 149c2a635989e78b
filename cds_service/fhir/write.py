"""The answer as FHIR R4 (4.0.1): one Bundle of type collection, written once.

A sheet with blanks, which the shape of the plan alone decides (write_sheet), is filled with what
this answer says. Ids are UUIDv5 of the decision and the resource's role, every date comes from
`as_of`, so the same Decision always has the same bytes. Elements that exist only in R4B are never
written.
"""

from cds_service.content.catalogue import ENGLISH
from cds_service.engine.model import Decision
from cds_service.fhir.write_base import Pen
from cds_service.fhir.write_conditions import condition
from cds_service.fhir.write_courses import course_request
from cds_service.fhir.write_fluids import fluid_request
from cds_service.fhir.write_guidance import guidance
from cds_service.fhir.write_medicines import medication_request
from cds_service.fhir.write_services import care_blank, dates
from cds_service.fhir.write_shape import Shape
from cds_service.fhir.write_sheet import sheet
from cds_service.fhir.write_template import Template, elements
from cds_service.fhir.write_trail import detected_issues


def write(decision: Decision, *, base: str, language: str, unmet: str = "") -> bytes:
    """The answer Bundle as UTF-8 JSON.

    `base` is the canonical base; `language` that of the caregiver's texts, one that the protocol
    has ("" means English); `unmet` one that was asked for and that it has not: the answer says so.
    """
    pen, plan = Pen.of(decision, base, language or ENGLISH), decision.plan
    notes, needed = guidance(pen, unmet)
    orders = [medication_request(pen, order) for order in plan.orders]
    orders += [fluid_request(pen, order) for order in plan.fluids]
    orders += [course_request(pen, course) for course in plan.courses if course.is_told]
    issues, targets = detected_issues(pen)
    for care in (*plan.emergency, *plan.care):
        if care.weighed:
            pen.blanks[care_blank(care)] = pen.house.words(care.message)
    for follow_up in plan.follow_ups:
        dates(pen, follow_up)
    return pen.fill(
        _sheet(pen),
        status=plan.status.encode(),
        notes=notes,
        needed=needed,
        conditions=elements([condition(pen, held) for held in decision.assessment.classes]),
        orders=elements(orders),
        issues=issues,
        targets=targets,
    )


def spoken_languages(body: bytes, language: str) -> tuple[str, ...]:
    """The languages that are really in an answer in which `language` was chosen."""
    # A text that a caller sent has its quotation marks escaped: this is no part of one.
    used = language != ENGLISH and b'"language":"%b"' % language.encode() in body
    return (ENGLISH, language) if used else (ENGLISH,)


def _sheet(pen: Pen) -> Template:
    shape, sheets = Shape.of(pen.decision), pen.house.sheets
    known: Template | None = sheets[shape]
    if known is None:
        known = sheets[shape] = sheet(pen.house, shape)
    return known
