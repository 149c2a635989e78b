"""MedicationRequests: one for each medicine in each branch, always a draft.

FHIR R4 Dosage and Timing. `doseAndRate` comes twice: `ordered` is what is measured out,
`calculated` what is really in it (amount x strength, never the unrounded target).
"""

from functools import lru_cache

import orjson

from cds_service.engine.model import Order
from cds_service.engine.phrase import (
    contained,
    days_to_give,
    dosage,
    due,
    due_kind,
    sources,
    target,
)
from cds_service.fhir.codes import DOSE_RATE_TYPE, GTS_ABBREVIATION, ROUTES, SNOMED, TIMES_A_DAY
from cds_service.fhir.write_base import Item, Pen
from cds_service.fhir.write_json import Json, as_fragment, counted, quantity
from cds_service.quantity import Quantity

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
    name = pen.house.title(f"formulation.{form.code}")
    title = name[:1].upper() + name[1:]
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
    days = None if order.days is None else days_to_give(order)
    instruction["timing"] = timing(order.times_a_day, days)
    if medicine.site:
        instruction["site"] = {"text": house.title(f"site.{medicine.site}")}
    instruction["route"] = {"coding": [route], "text": house.title(f"route.{medicine.route}")}
    instruction["doseAndRate"] = dose_and_rate(order.dose.amount, order.dose.contained)
    return instruction


def _dosage_words(pen: Pen, order: Order) -> str:
    form, amount = order.dose.formulation.code, order.dose.amount.value
    regimen = (order.times_a_day, order.days, order.at_least, order.doses)
    return pen.house.kept(("dosage", form, amount, *regimen), lambda: dosage(order))


def _due_words(pen: Pen, order: Order) -> str:
    # Equal moments in two offsets are two texts, so the key is the text of the moment.
    key = ("due", due_kind(order), order.first_due.isoformat())
    return pen.house.kept(key, lambda: due(order))


@lru_cache(maxsize=256)
def timing(times_a_day: int, days: int | None) -> orjson.Fragment:
    """The Timing of a course, or (days None) of a single dose; bounds cover what is to give."""
    if days is None:
        return as_fragment({"repeat": {"count": 1}})
    repeat = {
        "boundsDuration": counted(days, "d") | {"unit": "day"},
        "frequency": times_a_day,
        "period": 1,
        "periodUnit": "d",
    }
    code = TIMES_A_DAY.get(times_a_day)
    said = {"code": {"coding": [{"system": GTS_ABBREVIATION, "code": code}]}} if code else {}
    return as_fragment({"repeat": repeat} | said)


@lru_cache(maxsize=1024)
def dose_and_rate(amount: Quantity, content: Quantity) -> orjson.Fragment:
    """The dose as it is measured out, and what is in it."""
    ordered = {"type": _ORDERED, "doseQuantity": quantity(amount)}
    calculated = {"type": _CALCULATED, "doseQuantity": quantity(content)}
    return as_fragment([ordered, calculated])


def _note(pen: Pen, order: Order) -> str:
    house, dose = pen.house, order.dose
    lines = (
        house.title("write.proposal"),
        house.kept(_content_key(order), lambda: contained(order)),
        house.kept(_target_key(order), lambda: target(dose)),
        *map(house.text, dose.notes),
        house.kept(("sources", dose.cite, order.cite), lambda: sources(order)),
    )
    return "\n".join(lines)


def _content_key(order: Order) -> tuple[object, ...]:
    dose = order.dose
    given = (dose.formulation.code, dose.contained.value, dose.per_kg, dose.weight)
    return ("contained", *given, order.times_a_day, order.days is None)


def _target_key(order: Order) -> tuple[object, ...]:
    dose = order.dose
    return ("target", dose.target, dose.target_rule, dose.rule)
