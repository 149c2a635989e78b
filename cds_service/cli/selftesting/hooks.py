"""CDS Hooks: discovery and refusals leave no trace; calls leave entries in the log."""

from uuid import uuid4

from cds_service.cli.selftesting import infant
from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import Deployment, Json, Reply, expect
from cds_service.cli.selftesting.refusals import refused

DISCOVERY = Group("CDS Hooks: what there is, what is refused")
CALLS = Group("CDS Hooks: calls", writes=True)
_SERVICES = "/cds-services"
_PLAN, _CHECK = "sick-young-infant-plan", "medicine-dose-check"
_CONTEXT = {
    "userId": "Practitioner/selftest",
    "patientId": "selftest-infant",
    "encounterId": "selftest-visit",
}
_LONGEST = 140
"""Characters of a summary (CDS Hooks 2.0, card attributes: less than 140)."""


def _services(at: Deployment) -> dict[str, Json]:
    found = at.get(_SERVICES).good().json()["services"]
    return {each["id"]: each for each in found}


def _call(at: Deployment, service: str, context: Json, **prefetch: Json) -> Reply:
    known = dict.fromkeys(_services(at)[service]["prefetch"])
    asked = {
        "hook": _services(at)[service]["hook"],
        "hookInstance": str(uuid4()),
        "context": _CONTEXT | context,
        "prefetch": known | prefetch,
    }
    return at.post(f"{_SERVICES}/{service}", asked, Content_Type="application/json")


def _prefetched(at: Deployment) -> dict[str, Json]:
    patient, *others = infant.entries(infant.request(at))
    found = {"resourceType": "Bundle", "type": "searchset", "entry": others}
    return {"patient": patient["resource"], "observations": found, "encounter": infant.visit(at)}


def _plan(at: Deployment) -> Reply:
    return at.once("cards", lambda: _call(at, _PLAN, {}, **_prefetched(at)).good())


@DISCOVERY.check("the services are listed, each with hook, title and description")
def _listed(at: Deployment) -> None:
    found = _services(at)
    expect({_PLAN, _CHECK} <= set(found), "a service is missing")
    for each in found.values():
        expect(each["hook"] and each["title"] and each["description"], "a part is missing")


@DISCOVERY.check("each has prefetch templates for the patient and the observations")
def _templates(at: Deployment) -> None:
    for each in _services(at).values():
        expect({"patient", "observations"} <= set(each["prefetch"]), "a template is missing")


@DISCOVERY.check("404: a service that there is not")
def _nothing(at: Deployment) -> None:
    refused(at.post(f"{_SERVICES}/nothing", {}, Content_Type="application/json"), 404)


@DISCOVERY.check("400: a call that is no JSON")
def _no_json(at: Deployment) -> None:
    refused(at.post(f"{_SERVICES}/{_PLAN}", b"{", Content_Type="application/json"), 400)


@DISCOVERY.check("412: a call without what is needed")
def _needed(at: Deployment) -> None:
    refused(_call(at, _PLAN, {}), 412)


@CALLS.check("a plan comes as cards: summary under 140 characters, indicator, source, uuid")
def _cards(at: Deployment) -> None:
    cards = _plan(at).json()["cards"]
    expect(cards, "there is no card")
    for card in cards:
        expect(0 < len(card["summary"]) < _LONGEST, "a summary is empty or too long")
        expect(card["indicator"] in ("info", "warning", "critical"), "an indicator is unknown")
        expect(card["source"]["label"] and card["uuid"], "source or uuid is missing")


@CALLS.check("suggestions can be applied as they are: a label, actions with their resources")
def _suggestions(at: Deployment) -> None:
    found = [each for card in _plan(at).json()["cards"] for each in card.get("suggestions", [])]
    expect(found, "nothing is suggested")
    for action in (action for each in found for action in each["actions"]):
        expect(action["type"] in ("create", "update", "delete"), "an action has no known type")
        expect(action["type"] == "delete" or action["resource"], "an action has no resource")


@CALLS.check("the call is recorded like any other")
def _recorded(at: Deployment) -> None:
    expect(int(_plan(at).headers["cds-log-index"]) >= 0, "it names no place in the log")


@CALLS.check("a drafted order that the protocol does not know is never called right")
def _order(at: Deployment) -> None:
    order = {
        "resourceType": "MedicationRequest",
        "id": "selftest-order",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/selftest-infant"},
        "medicationCodeableConcept": {"text": "a medicine that was invented for this test"},
    }
    drafts = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": order}]}
    reply = _call(at, _CHECK, {"draftOrders": drafts}, **_prefetched(at)).good()
    expect(reply.json()["cards"], "there is no card about it")
