"""The sheet of an answer: the Bundle with blanks, composed once for every plan of one shape.

Composing is slow and readable. It looks at nothing but the shape, so a sheet that is kept by its
shape fits every answer of that shape. What differs from one infant to the next (who, when, doses,
evidence, cautions, what is missing) is left blank.
"""

from cds_service.content.catalogue import ENGLISH
from cds_service.fhir.write_base import entry, start
from cds_service.fhir.write_courses import course_item
from cds_service.fhir.write_fluids import fluid_item
from cds_service.fhir.write_group import care_plan, request_group
from cds_service.fhir.write_guidance import guidance_response
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_label import label_reference
from cds_service.fhir.write_medicines import medicine_item
from cds_service.fhir.write_services import (
    care_request,
    communication_request,
    follow_up_request,
    referral_request,
)
from cds_service.fhir.write_shape import Item, Shape
from cds_service.fhir.write_template import Template, blank, more
from cds_service.fhir.write_trail import provenance


def sheet(house: House, shape: Shape) -> Template:
    """The whole Bundle of a shape."""
    return Template.of(
        {
            **start("Bundle", "bundle"),
            "language": ENGLISH,
            "type": "collection",
            "timestamp": blank("as_of"),
            "entry": _entries(house, shape),
        }
    )


def _entries(house: House, shape: Shape) -> list[Json | str]:
    # What is given at once comes before the medicines.
    orders = [fluid_item(house, fluid) for fluid in shape.fluids if fluid.is_urgent]
    orders += [medicine_item(house, order) for order in shape.orders]
    orders += [fluid_item(house, fluid) for fluid in shape.fluids if not fluid.is_urgent]
    orders += [course_item(house, course) for course in shape.courses]
    urgent = [care_request(house, care, shape) for care in shape.emergency]
    due = (shape.referral, shape.assessment_referral)
    referral = [referral_request(house, each) for each in due if each is not None]
    care = [care_request(house, each, shape) for each in shape.care]
    visits = [follow_up_request(house, each, shape) for each in shape.visits]
    told = [communication_request(house, shape.counselling)] if shape.counselling else []
    group = request_group(house, shape.choice, urgent, [*referral, *orders, *care, *visits], told)
    label = label_reference(house, shape)
    written: list[Item] = [*urgent, *referral, *care, *visits, *told]
    return [
        *map(entry, (guidance_response(house), care_plan(house, shape), group)),
        more("conditions"),
        more("orders"),
        *(entry(item.resource) for item in written),
        more("issues"),
        entry(label.resource),
        entry(provenance(house, _targets(shape, [*written, label]))),
    ]


def _targets(shape: Shape, written: list[Item]) -> list[str]:
    """The roles of all resources of the sheet but its Provenance, in their order."""
    return [
        "guidance-response",
        "care-plan",
        "request-group",
        *(f"class.{code}" for code in shape.classes),
        *(f"order.{order.key}" for order in shape.orders),
        *(f"fluid.{fluid.key}" for fluid in shape.fluids),
        *(f"course.{course.medicine}" for course in shape.courses),
        *(item.role for item in written),
    ]
