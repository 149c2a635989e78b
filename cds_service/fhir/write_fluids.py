"""MedicationRequests for fluids: one dosage instruction for each step, volumes only.

FHIR R4 Dosage: `sequence` orders the steps; what is given after each loose stool is "as needed".
"""

from collections.abc import Iterator

from cds_service.engine.fluid_words import fluid_name, how_much, source, total
from cds_service.engine.model import FluidOrder
from cds_service.fhir.codes import DOSE_RATE_TYPE, ROUTES, SNOMED
from cds_service.fhir.write_base import Pen, classes, entry, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, exact, quantity
from cds_service.fhir.write_shape import FluidShape, Item
from cds_service.fhir.write_template import Template, more
from cds_service.fhir.write_told import instruction, language_of

_ORDERED = {"coding": [{"system": DOSE_RATE_TYPE, "code": "ordered"}]}


def fluid_item(house: House, shape: FluidShape) -> Item:
    """What the RequestGroup says about a fluid."""
    title = house.text(fluid_name(shape.product, shape.route))
    return Item(
        f"fluid.{shape.key}", {}, title, shape.branch, (shape.cite,), shape.key, shape.instead_of
    )


def fluid_request(pen: Pen, order: FluidOrder) -> bytes:
    """One fluid as a proposal; an option while the choice it belongs to is open."""
    house = pen.house
    spoken = language_of(house, order.instructions)
    made = house.kept(
        _key(order, spoken), lambda: Template.of(entry(_request(house, order, spoken)))
    )
    return pen.fill(made, told=instruction(house, order.instructions))


def _key(order: FluidOrder, spoken: str) -> tuple[object, ...]:
    """What the request depends on beside the content."""
    return (
        "fluid",
        spoken,
        order.key,
        order.fluid.code,
        order.route,
        order.steps,
        order.each_stool,
        order.total,
        order.weight,
        order.classes,
        order.is_option,
    )


def _request(house: House, order: FluidOrder, spoken: str) -> Json:
    reasons = {"reasonReference": classes(order.classes)} if order.classes else {}
    told = [total(order), source(order)]
    note = [house.title("write.proposal"), *(house.text(each) for each in told if each)]
    product = {"text": house.title(f"product.{order.fluid.product}")}
    return {
        **start("MedicationRequest", f"fluid.{order.key}"),
        "contained": [{"resourceType": "Medication", "id": "fluid", "code": product}],
        "status": "draft",
        "intent": "option" if order.is_option else "proposal",
        "medicationReference": {"reference": "#fluid"},
        **who_and_when("authoredOn"),
        **reasons,
        "note": [{"text": "\n".join(note)}],
        "dosageInstruction": list(_dosages(house, order)),
        "language": spoken,
    }


def _dosages(house: House, order: FluidOrder) -> Iterator[Json]:
    words = [house.text(each) for each in how_much(order)]
    code = {"coding": [{"system": SNOMED, "code": ROUTES[order.route]}]}
    route = {"route": code | {"text": house.title(f"route.{order.route}")}}
    if not order.steps:
        amount = _after_each_stool(house, order)
        yield {"text": words[0], more("told"): None, **amount, **route}
    for place, step in enumerate(order.steps):
        over = {"count": 1, "duration": exact(step.over.value), "durationUnit": "h"}
        dose = {"type": _ORDERED, "doseQuantity": quantity(step.volume)}
        told = {} if place else {more("told"): None}
        yield {
            "sequence": place + 1,
            "text": words[place],
            **told,
            "timing": {"repeat": over},
            **route,
            "doseAndRate": [dose],
        }


def _after_each_stool(house: House, order: FluidOrder) -> Json:
    if order.each_stool is None:
        return {}
    low, high = order.each_stool
    least = {} if low is None else {"low": quantity(low)}
    return {
        "asNeededCodeableConcept": {"text": house.title("fluid-as-needed")},
        "doseAndRate": [{"type": _ORDERED, "doseRange": {**least, "high": quantity(high)}}],
    }
