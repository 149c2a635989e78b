"""MedicationRequests: one for each medicine in each branch, always a draft.

FHIR R4 Dosage and Timing. `doseAndRate` comes twice: `ordered` is what is measured out,
`calculated` what is really in it (amount x strength, never the unrounded target).
"""

from cds_service.engine.model import Order
from cds_service.engine.phrase import contained, days_to_give, dosage, due, due_kind, target
from cds_service.fhir.codes import DOSE_RATE_TYPE, GTS_ABBREVIATION, ROUTES, SNOMED, TIMES_A_DAY
from cds_service.fhir.write_base import Item, Json, Pen, counted, quantity

_ORDERED, _CALCULATED = (
    {"coding": [{"system": DOSE_RATE_TYPE, "code": code}]} for code in ("ordered", "calculated")
)
_POINTER = {"reference": "#medication"}


def medication_request(pen: Pen, order: Order) -> Item:
    """One medicine as a proposal; an option while the choice it belongs to is open."""
    medicine, form = order.dose.medicine, order.dose.formulation
    resource = {
        **pen.start("MedicationRequest", f"order.{order.key}"),
        "contained": [pen.house.medication(medicine, form)],
        "status": "draft",
        "intent": "option" if order.is_option else "proposal",
        "medicationReference": _POINTER,
        **pen.who,
        "authoredOn": pen.as_of,
        **_reasons(pen, order),
        "note": [{"text": _note(pen, order)}],
        "dosageInstruction": [_dosage(pen, order)],
        "dispenseRequest": {
            "validityPeriod": {"start": order.first_due.isoformat()},
            "quantity": counted(order.packs, form.pack),
        },
    }
    title = pen.house.title(f"formulation.{form.code}")
    cites = (order.cite, order.dose.cite)
    return Item(resource, title, order.branch, cites, order.key, order.instead_of)


def _reasons(pen: Pen, order: Order) -> Json:
    return {"reasonReference": pen.classes(order.classes)} if order.classes else {}


def _dosage(pen: Pen, order: Order) -> Json:
    house, medicine = pen.house, order.dose.medicine
    route = {"system": SNOMED, "code": ROUTES[medicine.route]}
    instruction: Json = {"text": f"{_dosage_words(pen, order)} {_due_words(pen, order)}"}
    if order.instructions:
        instruction["patientInstruction"] = " ".join(map(house.text, order.instructions))
    instruction["timing"] = timing(order)
    if medicine.site:
        instruction["site"] = {"text": house.title(f"site.{medicine.site}")}
    instruction["route"] = {"coding": [route], "text": house.title(f"route.{medicine.route}")}
    instruction["doseAndRate"] = [
        {"type": _ORDERED, "doseQuantity": quantity(order.dose.amount)},
        {"type": _CALCULATED, "doseQuantity": quantity(order.dose.contained)},
    ]
    return instruction


def _dosage_words(pen: Pen, order: Order) -> str:
    form, amount = order.dose.formulation.code, order.dose.amount.value
    regimen = (order.times_a_day, order.days, order.at_least, order.doses)
    return pen.house.kept(("dosage", form, amount, *regimen), lambda: dosage(order))


def _due_words(pen: Pen, order: Order) -> str:
    # Equal moments in two offsets are two texts, so the key is the text of the moment.
    key = ("due", due_kind(order), order.first_due.isoformat())
    return pen.house.kept(key, lambda: due(order))


def timing(order: Order) -> Json:
    """The Timing of a course, or of a single dose; bounds cover the doses still to give."""
    if order.days is None:
        return {"repeat": {"count": 1}}
    repeat = {
        "boundsDuration": counted(days_to_give(order), "d") | {"unit": "day"},
        "frequency": order.times_a_day,
        "period": 1,
        "periodUnit": "d",
    }
    code = TIMES_A_DAY.get(order.times_a_day)
    if code is None:
        return {"repeat": repeat}
    return {"repeat": repeat, "code": {"coding": [{"system": GTS_ABBREVIATION, "code": code}]}}


def _note(pen: Pen, order: Order) -> str:
    house, dose = pen.house, order.dose
    lines = (
        house.kept(_content_key(order), lambda: contained(order)),
        house.text(target(dose)),
        *map(house.text, dose.notes),
        house.cited(dose.cite),
        house.cited(order.cite),
    )
    return "\n".join(dict.fromkeys(lines))


def _content_key(order: Order) -> tuple[object, ...]:
    dose = order.dose
    given = (dose.formulation.code, dose.contained.value, dose.per_kg, dose.weight)
    return ("contained", *given, order.times_a_day, order.days is None)
