"""MedicationRequests: one for each medicine in each branch, always a draft.

FHIR R4 Dosage and Timing. `doseAndRate` comes twice: `ordered` is what is measured out,
`calculated` what is really in it (amount x strength, never the unrounded target).
"""

from collections.abc import Iterator
from datetime import timedelta

from cds_service.content.medicine import Formulation, Medicine
from cds_service.engine.model import Order
from cds_service.engine.phrase import (
    contained,
    days_to_give,
    dosage,
    due_at,
    due_kind,
    is_running,
    sources,
    target,
)
from cds_service.fhir.codes import (
    ATC,
    DOSE_RATE_TYPE,
    GTS_ABBREVIATION,
    ROUTES,
    SNOMED,
    TIMES_A_DAY,
)
from cds_service.fhir.write_base import Pen, classes, entry, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, counted, quantity
from cds_service.fhir.write_shape import Item, OrderShape
from cds_service.fhir.write_template import Template, blank, escaped, more
from cds_service.fhir.write_told import instruction, language_of
from cds_service.quantity import Quantity

_ORDERED, _CALCULATED = (
    {"coding": [{"system": DOSE_RATE_TYPE, "code": code}]} for code in ("ordered", "calculated")
)


def medicine_item(house: House, order: OrderShape) -> Item:
    """What the RequestGroup says about a medicine."""
    name = house.title(f"formulation.{order.formulation}")
    title = name[:1].upper() + name[1:]
    cites = (order.course, order.dose)
    return Item(f"order.{order.key}", {}, title, order.branch, cites, order.key, order.instead_of)


def medication_request(pen: Pen, order: Order) -> bytes:
    """One medicine as a proposal; an option while the choice it belongs to is open."""
    house = pen.house
    first, moment = pen.moment(order.first_due)
    spoken = language_of(house, order.instructions)
    return pen.fill(
        house.kept(_key(order, spoken), lambda: Template.of(entry(_request(house, order, spoken)))),
        weighed=house.kept(_weight_key(order), lambda: b"\\n".join(_weighed(house, order))),
        told=instruction(house, order.instructions),
        moment=moment,
        first=first,
        last=_last(order, first),
    )


def _last(order: Order, first: bytes) -> bytes:
    """The last day of a dose that changes; a whole day would begin before its one dose (per-1)."""
    if order.change is None:
        return b""
    last = order.change.on - timedelta(days=1)
    return first if last == order.first_due.date() else str(last).encode()


def _key(order: Order, spoken: str) -> tuple[object, ...]:
    """What the request depends on beside the content; the formulation names all units."""
    dose = order.dose
    return (
        "order",
        spoken,
        order.key,
        order.is_option,
        order.classes,
        dose.formulation.code,
        dose.amount.value,
        dose.contained.value,
        dose.cite,
        order.times_a_day,
        order.days,
        order.at_least,
        order.change is not None,
        order.doses,
        order.packs,
        order.cite,
    )


def _request(house: House, order: Order, spoken: str) -> Json:
    medicine, form = order.dose.medicine, order.dose.formulation
    last = {} if order.change is None else {"end": blank("last")}
    reasons = {"reasonReference": classes(order.classes)} if order.classes else {}
    proposal, cited = house.title("write.proposal"), house.text(sources(order))
    return {
        **start("MedicationRequest", f"order.{order.key}"),
        "contained": [_medication(house, medicine, form)],
        "status": "draft",
        "intent": "option" if order.is_option else "proposal",
        "medicationReference": {"reference": "#medication"},
        **who_and_when("authoredOn"),
        **reasons,
        "note": [{"text": f"{proposal}\n{blank('weighed')}\n{cited}"}],
        "dosageInstruction": [_dosage(house, order)],
        "dispenseRequest": {
            "validityPeriod": {"start": blank("first")} | last,
            "quantity": counted(order.packs, form.pack),
        },
        "language": spoken,
    }


def _dosage(house: House, order: Order) -> Json:
    dose, medicine = order.dose, order.dose.medicine
    route = {"system": SNOMED, "code": ROUTES[medicine.route]}
    due = house.text(due_at(due_kind(order), blank("moment")))
    site = {"site": {"text": house.title(f"site.{medicine.site}")}} if medicine.site else {}
    return {
        "text": f"{house.text(dosage(order))} {due}",
        more("told"): None,
        "timing": _timing(order),
        **site,
        "route": {"coding": [route], "text": house.title(f"route.{medicine.route}")},
        "doseAndRate": _dose_and_rate(dose.amount, dose.contained),
    }


def _timing(order: Order) -> Json:
    """The Timing of a course, or of a single dose; bounds cover what is to give."""
    if order.days is None:
        return {"repeat": {"count": 1}}
    repeat = {
        "boundsDuration": counted(days_to_give(order), "d") | {"unit": "day"},
        "frequency": order.times_a_day,
        "period": 1,
        "periodUnit": "d",
    }
    code = TIMES_A_DAY.get(order.times_a_day)
    said = {"code": {"coding": [{"system": GTS_ABBREVIATION, "code": code}]}} if code else {}
    # A running course goes on at its own hour, which the bounds alone would not say.
    event = {"event": [blank("first")]} if is_running(order) else {}
    return event | {"repeat": repeat} | said


def _dose_and_rate(amount: Quantity, content: Quantity) -> list[Json]:
    """The dose as it is measured out, and what is in it."""
    ordered = {"type": _ORDERED, "doseQuantity": quantity(amount)}
    calculated = {"type": _CALCULATED, "doseQuantity": quantity(content)}
    return [ordered, calculated]


def _medication(house: House, medicine: Medicine, form: Formulation) -> Json:
    """The contained Medication: what it is, its form, its strength as measured out."""
    substance = house.title(f"medicine.{medicine.code}")
    coding = {"system": ATC, "code": medicine.atc, "display": substance}
    product = house.own("formulation", form.code)
    display = house.title(f"formulation.{form.code}")
    coded = {"coding": [{"system": SNOMED, "code": form.form_snomed}]} if form.form_snomed else {}
    return {
        "resourceType": "Medication",
        "id": "medication",
        "code": {"coding": [coding, product], "text": display},
        "form": {**coded, "text": house.title(f"form.{form.form}")},
        "ingredient": list(_ingredients(house, form, {"coding": [coding], "text": substance})),
    }


def _ingredients(house: House, form: Formulation, single: Json) -> Iterator[Json]:
    """What is in the product: one substance, or those that it names itself."""
    first = {"text": house.title(f"substance.{form.counted}")} if form.counted else single
    others = [(house.title(f"substance.{part.code}"), part.strength) for part in form.beside]
    for concept, strength in [(first, form.substance), *(({"text": n}, s) for n, s in others)]:
        ratio = {"numerator": quantity(strength), "denominator": quantity(form.per)}
        yield {"itemCodeableConcept": concept, "strength": ratio}


def _weight_key(order: Order) -> tuple[object, ...]:
    dose = order.dose
    return (
        "weighed",
        dose.formulation.code,
        dose.contained.value,
        dose.per_kg,
        dose.weight,
        dose.target,
        dose.target_rule,
        dose.rule_words,
        dose.notes,
        order.times_a_day,
        order.days is None,
    )


def _weighed(house: House, order: Order) -> Iterator[bytes]:
    """The lines of the note that change with every weight."""
    for message in (contained(order), target(order.dose), *order.dose.notes):
        yield escaped(house.text(message))
