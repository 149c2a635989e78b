"""The main job, on an invented infant: every check leaves entries in the log."""

from decimal import Decimal

from cds_service.cli.selftesting import infant
from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import Deployment, Json, Reply, Skipped, expect
from cds_service.cli.selftesting.published import APPLY, PLAN

MAIN = Group("The main job, on an invented infant", writes=True)


def answer(at: Deployment) -> Reply:
    """The recommendation for the infant as packaged."""
    return at.once("answer", lambda: at.post(APPLY, infant.request(at)).good())


def of_type(reply: Reply, kind: str) -> list[Json]:
    """The resources of one type in an answer."""
    found = (each["resource"] for each in reply.good().json()["entry"])
    return [each for each in found if each["resourceType"] == kind]


def _status(reply: Reply) -> str:
    return str(of_type(reply, "GuidanceResponse")[0]["status"])


@MAIN.check("the answer is a collection that begins with its GuidanceResponse: success")
def _success(at: Deployment) -> None:
    bundle = answer(at).json()
    expect(bundle["type"] == "collection", "it is no collection")
    expect(bundle["entry"][0]["resource"]["resourceType"] == "GuidanceResponse", "it is not first")
    expect(_status(answer(at)) == "success", f"the status is {_status(answer(at))}")


@MAIN.check("every resource is there once, and points at the infant that was sent")
def _resources(at: Deployment) -> None:
    found = [each["resource"] for each in answer(at).json()["entry"]]
    expect(len({each["id"] for each in found}) == len(found), "an id is there twice")
    about = {each["subject"]["reference"] for each in found if "subject" in each}
    expect(about == {"Patient/selftest-infant"}, "a resource is about somebody else")


@MAIN.check("a class of the tables holds, and medicines are proposed")
def _classes(at: Deployment) -> None:
    expect(of_type(answer(at), "Condition"), "there is no Condition")
    expect(of_type(answer(at), "MedicationRequest"), "there is no MedicationRequest")


@MAIN.check("what is proposed is a draft and a proposal, never an order")
def _proposals(at: Deployment) -> None:
    for kind in ("MedicationRequest", "ServiceRequest"):
        for one in of_type(answer(at), kind):
            expect(one["status"] == "draft" and one["intent"] == "proposal", f"{kind} is an order")


@MAIN.check("each dose says the amount and what is in it, and the two agree by the strength")
def _doses(at: Deployment) -> None:
    for one in of_type(answer(at), "MedicationRequest"):
        (strength,) = (each["strength"] for each in one["contained"][0]["ingredient"])
        each = strength["numerator"]["value"] / Decimal(strength["denominator"]["value"])
        for dosage in one["dosageInstruction"]:
            doses = {
                dose["type"]["coding"][0]["code"]: dose["doseQuantity"]
                for dose in dosage["doseAndRate"]
            }
            amount, content = doses["ordered"]["value"], doses["calculated"]["value"]
            expect(amount > 0, "an amount is not above 0")
            expect(amount * each == content, f"{amount} times {each} is not {content}")


@MAIN.check("each medicine says how often and how long, in words and in codes")
def _timing(at: Deployment) -> None:
    for one in of_type(answer(at), "MedicationRequest"):
        for dosage in one["dosageInstruction"]:
            expect(dosage["text"] and dosage["timing"], "text or timing is missing")


@MAIN.check("without a weight there is no dose, and the weight is asked for")
def _no_weight(at: Deployment) -> None:
    found = at.post(APPLY, infant.without(at, "-weight"))
    expect(_status(found) == "data-required", f"the status is {_status(found)}")
    expect(not of_type(found, "MedicationRequest"), "there is a dose")


@MAIN.check("without a birth date there is no dose")
def _no_age(at: Deployment) -> None:
    asked = infant.changed(at, "-infant", lambda one: one.pop("birthDate"))
    found = at.post(APPLY, asked)
    if found.status != 422:  # it may be refused as well
        expect(_status(found) == "data-required", f"the status is {_status(found)}")
        expect(not of_type(found, "MedicationRequest"), "there is a dose")


@MAIN.check("a weight ten times too high gives no dose, and a caution")
def _wrong_weight(at: Deployment) -> None:
    def tenfold(one: Json) -> None:
        one["valueQuantity"]["value"] *= 10

    found = at.post(APPLY, infant.changed(at, "-weight", tenfold))
    expect(not of_type(found, "MedicationRequest"), "there is a dose")
    expect(of_type(found, "DetectedIssue"), "there is no caution")


@MAIN.check("what was not assessed is not taken as absent")
def _unknown(at: Deployment) -> None:
    found = at.post(APPLY, infant.without(at, "-convulsions"))
    expect(_status(found) == "data-required", f"the status is {_status(found)}")


@MAIN.check("a danger sign leads to a referral")
def _danger(at: Deployment) -> None:
    asked = infant.changed(at, "-convulsions", lambda one: one.update(valueBoolean=True))
    found = of_type(at.post(APPLY, asked), "ServiceRequest")
    urgent = [each for each in found if each.get("priority") in ("urgent", "asap", "stat")]
    expect(urgent, "nothing is urgent")


@MAIN.check("a weight in grams gives the same care")
def _grams(at: Deployment) -> None:
    def in_grams(one: Json) -> None:
        grams = round(one["valueQuantity"]["value"] * 1000)
        one["valueQuantity"] |= {"value": grams, "unit": "g", "code": "g"}

    other = at.post(APPLY, infant.changed(at, "-weight", in_grams))
    same = [_dosages(each) for each in (answer(at), other)]
    expect(same[0] == same[1], "the doses are others")


def _dosages(reply: Reply) -> list[Json]:
    found = of_type(reply, "MedicationRequest")
    return [dosage["doseAndRate"] for one in found for dosage in one["dosageInstruction"]]


@MAIN.check("the same question has the same bytes and the same decision id")
def _again(at: Deployment) -> None:
    other = at.post(APPLY, infant.request(at)).good()
    _same(answer(at), other)


@MAIN.check("the order of the resources changes nothing")
def _order(at: Deployment) -> None:
    asked = infant.request(at)
    infant.entries(asked).reverse()
    _same(answer(at), at.post(APPLY, asked).good())


def _same(one: Reply, other: Reply) -> None:
    expect(one.body == other.body, "the bytes are others")
    ids = [each.headers["cds-decision-id"] for each in (one, other)]
    expect(ids[0] == ids[1], "the decision id is another one")


@MAIN.check("a bare Bundle is understood")
def _bare(at: Deployment) -> None:
    entries = [*infant.entries(infant.request(at)), {"resource": infant.visit(at)}]
    found = at.post(APPLY, {"resourceType": "Bundle", "type": "collection", "entry": entries})
    expect(of_type(found, "GuidanceResponse"), "there is no GuidanceResponse")


@MAIN.check("strict handling is confirmed")
def _strict(at: Deployment) -> None:
    found = at.post(APPLY, infant.request(at), Prefer="handling=strict").good()
    expect("handling=strict" in found.headers.get("preference-applied", ""), "it is not confirmed")


@MAIN.check("who prefers return=minimal gets 204, and nothing that could be taken for a plan")
def _minimal(at: Deployment) -> None:
    found = at.post(APPLY, infant.request(at), Prefer="return=minimal").good(204)
    expect(not found.body, "there is a body")
    expect(found.headers["cds-log-index"], "it does not say where it is recorded")


@MAIN.check("English is spoken when nothing else is asked for")
def _english(at: Deployment) -> None:
    expect(answer(at).headers["content-language"] == "en", "the language is another one")


@MAIN.check("the caregiver's language is spoken when there is one")
def _language(at: Deployment) -> None:
    found = at.post(APPLY, infant.request(at), Accept_Language="sw").good()
    if "sw" not in found.headers["content-language"]:
        raise Skipped("this deployment has no Swahili")
    expect(found.body != answer(at).body, "the words are the same")


@MAIN.check("the referral note is a document that begins with its Composition")
def _note(at: Deployment) -> None:
    found = at.post(f"{PLAN}/$referral-note", infant.request(at)).good().json()
    expect(found["type"] == "document", "it is no document")
    expect(found["entry"][0]["resource"]["resourceType"] == "Composition", "it is not first")
