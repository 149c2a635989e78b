"""The dose check over HTTP: drafted orders for an invented infant of ten days and 3.4 kg.

What is due for it (published dose tables, tests/cases): gentamicin 7.5 mg/kg once a day from day 7
(P20, COIN) and amoxicillin for a weight below 4 kg, half a tablet of 250 mg twice a day for 7 days.
"""

from decimal import Decimal
from typing import Any
from uuid import uuid4

import httpx
import pytest
from fhir.resources.R4B.medicationrequest import MedicationRequest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from tests.hooks import order_call, sent
from tests.logs import entry_at

from .conftest import Call
from .sample import BASE, SUBJECT, UCUM, body, bundle, finding, parameters

CHECK = "/cds-services/medicine-dose-check"
SELECT = "/cds-services/medicine-dose-check-select"
JSON = {"content-type": "application/json"}
ATC = "http://www.whocc.no/atc"
Json = dict[str, Any]


def quantity(value: str, unit: str) -> Json:
    return {"value": Decimal(value), "unit": unit, "system": UCUM, "code": unit}


def order(
    code: str = "J01CA04",
    dose: Json | None = None,
    *,
    name: str = "103",
    days: int = 7,
    a_day: int = 2,
    product: str = "",
    **changes: Any,
) -> Json:
    """A drafted order: amoxicillin 125 mg twice a day for seven days, unless said otherwise."""
    coding = [{"system": ATC, "code": code}]
    if product:
        coding.append({"system": f"{BASE}/CodeSystem/formulation", "code": product})
    length = quantity(str(days), "d") | {"unit": "day"}
    repeat = {"frequency": a_day, "period": 1, "periodUnit": "d", "boundsDuration": length}
    return {
        "resourceType": "MedicationRequest",
        "id": name,
        "status": "draft",
        "intent": "order",
        "medicationCodeableConcept": {"coding": coding},
        "subject": SUBJECT,
        "dosageInstruction": [
            {
                "timing": {"repeat": repeat},
                "doseAndRate": [{"doseQuantity": dose or quantity("125", "mg")}],
            }
        ],
        **changes,
    }


TABLET = "amoxicillin-dispersible-tablet-250mg"
HALF = quantity("0.5", "{tbl}")
GENTAMICIN = order("J01GB03", quantity("25", "mg"), name="104", a_day=1)


@pytest.fixture
def check(call: Call) -> Call:
    def send(*orders: Json, apply: bytes = b"", path: str = CHECK, **changes: Any) -> list[Json]:
        hook = "order-select" if path == SELECT else "order-sign"
        asked = order_call(apply or body(), orders, hook=hook, **changes)
        asked["hookInstance"] = str(uuid4())
        answer: httpx.Response = call("POST", path, content=sent(asked), headers=JSON)
        assert answer.status_code == 200, answer.text
        cards: list[Json] = answer.json()["cards"]
        return cards

    return send


def only(cards: list[Json]) -> Json:
    (card,) = cards
    return card


def actions(card: Json) -> list[list[tuple[str, Any]]]:
    return [
        [(act["type"], act.get("resourceId") or act["resource"]) for act in each["actions"]]
        for each in card.get("suggestions", ())
    ]


def test_right_orders_agree_and_it_says_so(check: Call) -> None:
    card = only(check(order(product=TABLET, dose=HALF)))
    assert card["indicator"] == "info"
    assert card["summary"].startswith("The drafted order agrees")
    assert "half a tablet = 125 mg" in card["detail"]
    assert "suggestions" not in card


def test_it_is_in_the_log_and_replays(call: Call, store: SqliteStore, service: Service) -> None:
    asked = sent(order_call(body(), [order(), GENTAMICIN]))
    answer = call("POST", CHECK, content=asked, headers=JSON)
    entry = entry_at(store, 0)
    assert entry is not None
    assert (entry.request, entry.response) == (asked, answer.content)
    assert replay(entry, Library(), base=service.base) == answer.content


@pytest.mark.parametrize(
    ("wrong", "says", "indicator"),
    [
        (order(product=TABLET, dose=quantity("1", "{tbl}")), "dose too high", "critical"),
        (order(product=TABLET, dose=quantity("0.25", "{tbl}")), "dose too low", "critical"),
        (order(product=TABLET, dose=HALF, a_day=3), "wrong interval", "critical"),
        (order(product=TABLET, dose=HALF, a_day=1), "wrong interval", "warning"),
        (order(product=TABLET, dose=HALF, days=5), "wrong length", "warning"),
        (order(product=TABLET, dose=HALF, days=10), "wrong length", "warning"),
    ],
)
def test_a_wrong_order_is_corrected(check: Call, wrong: Json, says: str, indicator: str) -> None:
    wrong = wrong | {"priority": "urgent", "groupIdentifier": {"value": "kept-as-it-is"}}
    card = only(check(wrong))
    assert says in card["summary"]
    assert card["indicator"] == indicator
    assert "half a tablet = 125 mg" in card["detail"]
    assert card["suggestions"][0]["isRecommended"] is True
    (kind, mended), *rest = actions(card)[0]
    assert (kind, rest) == ("update", [])
    MedicationRequest.model_validate(mended)
    for kept in ("id", "status", "intent", "subject", "medicationCodeableConcept", "priority"):
        assert mended[kept] == wrong[kept]
    assert mended["groupIdentifier"] == {"value": "kept-as-it-is"}
    assert check(mended)[0]["indicator"] == "info"


def test_a_dose_in_mg_is_judged_but_the_product_is_asked_for(check: Call) -> None:
    card = only(check(order()))
    assert "product not known" in card["summary"]
    assert "dose too" not in card["summary"]
    high = only(check(order(dose=quantity("250", "mg"))))
    assert high["indicator"] == "critical"
    assert "dose too high" in high["summary"]
    (removed, created), deleted = actions(high)
    assert removed == ("delete", "MedicationRequest/103")
    assert created[0] == "create"
    MedicationRequest.model_validate(created[1])
    assert deleted == [("delete", "MedicationRequest/103")]


def test_an_amount_without_a_known_product_is_never_called_right(check: Call) -> None:
    card = only(check(order(dose=quantity("2.5", "mL"))))
    assert card["indicator"] == "warning"
    assert "was not judged" in card["detail"]
    assert "agrees" not in card["summary"]


def test_a_volume_of_what_is_diluted_first_is_never_called_right(check: Call) -> None:
    # 80 mg/2 mL, made up to 8 mL: 0.6 mL are 24 mg before that, and 6 mg after it.
    vial = "gentamicin-vial-80mg-2ml"
    for volume in ("0.6", "2.5"):
        draft = order("J01GB03", quantity(volume, "mL"), name="104", a_day=1, product=vial)
        card = only(check(draft))
        assert card["indicator"] == "critical"
        assert "a volume alone does not say what is in it" in card["summary"]
        (mended,), *_ = actions(card)
        doses = mended[1]["dosageInstruction"][0]["doseAndRate"]
        assert [each["doseQuantity"]["code"] for each in doses] == ["mL", "mg"]


def test_the_strength_of_a_contained_product_is_counted_with(check: Call) -> None:
    # 250 mg in a tablet: by its strength; and ten times as strong, of no protocol.
    def with_strength(milligrams: str) -> Json:
        ratio = {"numerator": quantity(milligrams, "mg"), "denominator": quantity("1", "{tbl}")}
        ingredient = {"itemCodeableConcept": {"text": "amoxicillin"}, "strength": ratio}
        medication = {
            "resourceType": "Medication",
            "id": "m",
            "code": {"coding": [{"system": ATC, "code": "J01CA04"}]},
            "ingredient": [ingredient],
        }
        made = order(dose=HALF, contained=[medication], medicationReference={"reference": "#m"})
        del made["medicationCodeableConcept"]
        return made

    strong = only(check(with_strength("2500")))
    assert "dose too high" in strong["summary"]
    usual = only(check(with_strength("250")))
    assert "dose too" not in usual["summary"]


UNKNOWN = {
    "another medicine": {"coding": [{"system": ATC, "code": "J01DD01"}]},
    "a combination with it": {"coding": [{"system": ATC, "code": "J01CR02"}]},
    "one of the same group": {"coding": [{"system": ATC, "code": "J01GB06"}]},
    # The example of the specification's order-select: amoxicillin / clavulanate.
    "a name with another beside it": {
        "text": "Amoxicillin 120 MG/ML / clavulanate potassium 8.58 MG/ML Oral Suspension"
    },
    "a code of elsewhere": {
        "coding": [{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "617993"}]
    },
    "words": {"text": "antibiotic syrup"},
}


@pytest.mark.parametrize("what", UNKNOWN)
def test_a_medicine_of_no_protocol_is_not_judged(check: Call, what: str) -> None:
    card = only(check(order(medicationCodeableConcept=UNKNOWN[what])))
    assert card["indicator"] == "warning"
    assert "not a medicine of this protocol, not judged" in card["summary"]
    assert "It was not judged." in card["detail"]
    assert "suggestions" not in card


def test_the_name_alone_is_enough(check: Call) -> None:
    named = order(medicationCodeableConcept={"text": " amoxicillin "})
    assert "Amoxicillin" in only(check(named))["summary"]


def allergic() -> bytes:
    data = bundle()
    allergy = finding("penicillin-allergy", value=True)
    data["entry"] = [e for e in data["entry"] if e["resource"]["id"] != allergy["id"]]
    data["entry"].append({"resource": allergy})
    return body(data={"resource": data})


def test_an_allergy_is_critical_and_the_order_is_to_be_removed(check: Call) -> None:
    card = only(check(order(product=TABLET, dose=HALF), apply=allergic()))
    assert card["indicator"] == "critical"
    assert "an allergy is recorded" in card["summary"]
    assert actions(card) == [[("delete", "MedicationRequest/103")]]
    assert card["suggestions"][0]["isRecommended"] is True


def in_use(code: str, words: str = "") -> bytes:
    data = bundle()
    running = order(code, name="running", status="active", authoredOn="2026-03-02T08:00:00+02:00")
    running["medicationCodeableConcept"]["text"] = words or "in use"
    data["entry"].append({"resource": running})
    return sent(parameters(data={"resource": data}))


def test_an_order_for_what_runs_already_is_a_duplicate(check: Call) -> None:
    card = only(check(order(product=TABLET, dose=HALF), apply=in_use("J01CA04")))
    assert card["indicator"] == "critical"
    assert "ordered twice" in card["summary"]


def test_the_revision_of_a_running_order_is_no_duplicate(check: Call) -> None:
    revised = order(product=TABLET, dose=HALF, name="running")
    assert "ordered twice" not in str(check(revised, apply=in_use("J01CA04")))


def test_two_of_one_kind_are_said(check: Call) -> None:
    # Amoxicillin and ampicillin are both J01CA (ATC).
    both = check(
        order(product=TABLET, dose=HALF),
        order("J01CA01", quantity("170", "mg"), name="105"),
    )
    assert all("the same kind" in card["detail"] for card in both[:2])


def test_what_does_not_go_together_is_said(check: Call) -> None:
    # Furosemide C03CA01 beside gentamicin: the content's own caution (a loop diuretic in use).
    furosemide = order("C03CA01", name="106")
    cards = check(GENTAMICIN, furosemide)
    gentamicin = next(card for card in cards if "Gentamicin" in card["summary"])
    assert gentamicin["indicator"] == "critical"
    alone = check(GENTAMICIN)
    assert alone[0]["indicator"] != "critical"
    recorded = check(GENTAMICIN, apply=in_use("C03CA01"))
    assert recorded[0]["indicator"] == "critical"


def test_only_what_is_selected_is_judged(check: Call) -> None:
    call = {"path": SELECT}
    wrong = order(product=TABLET, dose=quantity("5", "{tbl}"))
    asked = order_call(body(), [wrong, GENTAMICIN], hook="order-select")
    context = asked["context"] | {"selections": ["MedicationRequest/104"]}
    cards = check(wrong, GENTAMICIN, context=context, **call)
    assert all("Amoxicillin" not in card["summary"] for card in cards)
    context = context | {"selections": ["MedicationRequest/103", "NutritionOrder/1"]}
    cards = check(wrong, GENTAMICIN, context=context, **call)
    assert "dose too high" in cards[0]["summary"]


def test_without_a_weight_it_asks(check: Call) -> None:
    data = bundle()
    data["entry"] = [
        e for e in data["entry"] if e["resource"]["id"] not in ("m-29463-7", "m-8339-4")
    ]
    card = only(check(order(product=TABLET, dose=HALF), apply=body(data={"resource": data})))
    assert "no believable weight" in card["summary"]
    assert "Weigh the baby" in card["detail"]


def test_an_order_for_somebody_else_is_not_judged(check: Call) -> None:
    for subject in ({"reference": "Patient/somebody-else"}, {"display": "a baby"}):
        card = only(check(order(product=TABLET, dose=HALF, subject=subject)))
        assert "for another patient or for none" in card["summary"]


UNCLEAR: dict[str, Json] = {
    "two instructions": order(
        product=TABLET, dose=HALF, dosageInstruction=order()["dosageInstruction"] * 2
    ),
    "when needed": order(
        product=TABLET,
        dosageInstruction=[order(dose=HALF)["dosageInstruction"][0] | {"asNeededBoolean": True}],
    ),
    "a range": order(
        product=TABLET,
        dosageInstruction=[
            order()["dosageInstruction"][0]
            | {"doseAndRate": [{"doseRange": {"low": HALF, "high": quantity("1", "{tbl}")}}]}
        ],
    ),
    "another unit": order(product=TABLET, dose=quantity("2", "{spoon}")),
    "less than": order(product=TABLET, dose=HALF | {"comparator": "<"}),
    "forbidden": order(product=TABLET, dose=HALF, doNotPerform=True),
    "an unknown rule": order(product=TABLET, dose=HALF, implicitRules="http://rules.example"),
}


@pytest.mark.parametrize("what", UNCLEAR)
def test_what_is_not_clear_is_said_and_never_agrees(check: Call, what: str) -> None:
    card = only(check(UNCLEAR[what]))
    assert card["indicator"] in ("warning", "critical")
    assert "cannot be read with certainty" in card["detail"]


def test_an_adults_order_is_not_judged(check: Call) -> None:
    data = bundle()
    data["entry"][0]["resource"]["birthDate"] = "1987-12-25"
    card = only(check(order(dose=quantity("500", "mg")), apply=body(data={"resource": data})))
    assert "outside the age" in card["summary"]
    assert "suggestions" not in card


def test_a_medicine_that_nothing_asks_for_is_said(check: Call) -> None:
    nystatin = order("A07AA02", quantity("100000", "[iU]"), name="107", a_day=4)
    assert "not enough is known to say whether it is due" in only(check(nystatin))["summary"]


def test_other_drafts_are_left_out(check: Call) -> None:
    # NutritionOrder of the specification's own example of order-select.
    diet = {"resourceType": "NutritionOrder", "id": "pureeddiet-simple", "status": "draft"}
    assert check(diet) == []


@pytest.mark.parametrize("context", [{"draftOrders": None}, {"draftOrders": {"resourceType": "x"}}])
def test_without_draft_orders_the_call_is_malformed(call: Call, context: Json) -> None:
    asked = order_call(body(), [order()])
    asked["context"] = {k: v for k, v in (asked["context"] | context).items() if v is not None}
    assert call("POST", CHECK, content=sent(asked), headers=JSON).status_code == 400


def test_drafts_that_cannot_be_told_apart_are_refused(call: Call) -> None:
    nameless = {k: v for k, v in order().items() if k != "id"}
    for drafts in ([order(), order()], [nameless], [order(name="a b")], [order()] * 101):
        asked = sent(order_call(body(), drafts))
        assert call("POST", CHECK, content=asked, headers=JSON).status_code == 400
    asked = order_call(body(), [order()], hook="order-select")
    assert call("POST", SELECT, content=sent(asked), headers=JSON).status_code == 400
