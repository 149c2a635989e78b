"""The cards of the dose check: one for each drafted order that is not as the protocol gives it."""

import json
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal

from cds_service.content.model import Message
from cds_service.engine.check_model import UNJUDGED, Checked, Fault
from cds_service.engine.model import Order
from cds_service.engine.phrase import contained, dosage, sources, target
from cds_service.fhir.cards import INDICATORS, Deck, Section
from cds_service.fhir.write_base import Pen
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_medicines import medication_request

_FORBIDS = frozenset({"allergy", "contraindicated", "duplicate", "other-patient"})
"""What makes the order one to be removed."""
_MENDS = frozenset(
    {
        "dilution-unclear",
        "dose-contradicts", "dose-missing", "dose-too-high", "dose-too-low", "duration-missing",
        "form-unknown", "interval-missing", "unreadable", "wrong-duration", "wrong-interval",
    }
)  # fmt: skip
"""What the order that the plan gives puts right."""
_SEVERITIES = ("high", "moderate", "low")


def order_cards(
    deck: Deck, checked: Sequence[Checked], texts: Mapping[str, bytes], not_sent: Sequence[str]
) -> None:
    """Deal the cards; `texts` are the drafted orders as they were sent, by reference."""
    agreed = [each for each in checked if not each.faults and not each.cautions]
    for each in checked:
        if each.faults or each.cautions:
            _fault_card(deck, each, texts)
    if agreed:
        _agreed_card(deck, agreed)
    if not_sent and checked:
        data = [deck.title(f"hooks.data.{key}") for key in not_sent]
        summary = [deck.title("hooks.summary.not-sent")]
        deck.deal("missing", "warning", summary, [(deck.title("hooks.not-sent"), data)])


def _agreed_card(deck: Deck, agreed: Sequence[Checked]) -> None:
    lines = [_agreed(deck, each) for each in agreed]
    key = "check.agrees.one" if len(lines) == 1 else "check.agrees.many"
    summary = [deck.title(key, count=str(len(lines)))]
    deck.deal("dose-check", "info", summary, [("", lines), ("", [_judged_for(deck)])])


def _agreed(deck: Deck, each: Checked) -> str:
    told = dosage(each.order) if each.order is not None else Message("check.not-due")
    return deck.title("check.agreed", reference=each.draft.reference, dosage=told)


def _fault_card(deck: Deck, checked: Checked, texts: Mapping[str, bytes]) -> None:
    ranked = sorted(checked.faults, key=lambda each: _SEVERITIES.index(each.severity))
    severities = [each.severity for each in checked.faults]
    severities += [each.severity for each in checked.cautions]
    worst = min(severities, key=_SEVERITIES.index)
    name = _name(deck, checked)
    short = [deck.title(f"check.short.{each.code}") for each in ranked]
    short += [deck.title("check.short.caution")] if checked.cautions and not ranked else []
    first = deck.title("check.headline", medicine=name, what=short[0])
    rest = [text[:1].upper() + text[1:] for text in dict.fromkeys(short[1:])]
    about = deck.title("check.about", what=name, reference=checked.draft.reference)
    cautions = [deck.text(each.message) for each in checked.cautions]
    sections: list[Section] = [
        (about, [deck.text(each.message) for each in ranked]),
        (deck.title("hooks.cautions"), cautions),
        (deck.title("hooks.right"), list(_right(deck, checked))),
        ("", [_judged_for(deck)]),
    ]
    suggestions = list(_suggestions(deck, checked, texts))
    deck.deal("dose-check", INDICATORS[worst], [first, *rest], sections, suggestions)


def _name(deck: Deck, checked: Checked) -> str:
    medicine = checked.draft.medicine
    return deck.title(f"medicine.{medicine}" if medicine else "check.unnamed")


def _judged_for(deck: Deck) -> str:
    weights = [each for each in deck.decision.case.measurements if each.kind == "weight"]
    latest = max(weights, key=lambda each: str(each.at), default=None)
    told = deck.title("hooks.no-weight") if latest is None else str(latest.quantity)
    return deck.title("hooks.compared", weight=told)


def _right(deck: Deck, checked: Checked) -> Iterator[str]:
    order = checked.order
    if order is None or _is_forbidden(checked):
        return
    form = deck.title(f"formulation.{order.dose.formulation.code}")
    yield f"{form}: {deck.text(dosage(order))}"
    for message in (contained(order), target(order.dose), sources(order)):
        yield deck.text(message)


def _is_forbidden(checked: Checked) -> bool:
    return bool(_codes(checked.faults) & _FORBIDS)


def _codes(faults: Sequence[Fault]) -> set[str]:
    return {each.code for each in faults}


def _suggestions(deck: Deck, checked: Checked, texts: Mapping[str, bytes]) -> Iterator[Json]:
    draft, order, codes = checked.draft, checked.order, _codes(checked.faults)
    forbidden = _is_forbidden(checked)
    # A mended copy stays for another patient, a second order, a forbidden medicine: not offered.
    if (
        order is not None
        and codes & _MENDS
        and not forbidden
        and "do-not-perform" not in draft.unclear
    ):
        what = deck.text(dosage(order))
        if checked.same_product and not {"rules", "dosage"} & set(draft.unclear):
            mended = _mended(deck, texts[draft.reference], order)
            description = deck.title("hooks.action.update", what=what)
            acts = [{"type": "update", "description": description, "resource": mended}]
            label = deck.title("hooks.suggest.update")
        else:
            acts = [_delete(deck, draft.reference), _proposed(deck, order, what)]
            label = deck.title("hooks.suggest.replace")
        yield deck.suggestion(label, acts, recommended=True)
    if codes - UNJUDGED or "other-patient" in codes:
        label = deck.title("hooks.suggest.delete")
        acts = [_delete(deck, draft.reference)]
        yield deck.suggestion(label, acts, recommended=forbidden)


def _delete(deck: Deck, reference: str) -> Json:
    description = deck.title("hooks.action.delete")
    return {"type": "delete", "description": description, "resourceId": reference}


def _written(deck: Deck, order: Order) -> Json:
    """The MedicationRequest of an order; also of one in another product than the plan's."""
    text = medication_request(Pen.of(deck.decision, deck.house.base), order)
    resource: Json = json.loads(text, parse_float=Decimal)["resource"]
    return deck.alone(resource)


def _proposed(deck: Deck, order: Order, what: str) -> Json:
    description = deck.title("hooks.action.create", what=what)
    return {"type": "create", "description": description, "resource": _written(deck, order)}


def _mended(deck: Deck, sent: bytes, order: Order) -> Json:
    """The whole draft with the dosage of this protocol; whatever else it says stays.

    What is dispensed followed from the wrong dosage, so it is that of the right one.
    """
    resource: Json = json.loads(sent, parse_float=Decimal)
    right = _written(deck, order)
    resource["dosageInstruction"] = right["dosageInstruction"]
    dispensed = resource.get("dispenseRequest")
    if isinstance(dispensed, dict):
        dispensed.pop("expectedSupplyDuration", None)
        dispensed["quantity"] = right["dispenseRequest"]["quantity"]
    # The narrative told the old dosage.
    resource.pop("text", None)
    return resource
