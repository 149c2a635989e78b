"""A batch: many requests in one Bundle, each answered by itself."""

from uuid import uuid4

from cds_service.cli.selftesting import infant
from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import Deployment, Json, Reply, expect
from cds_service.cli.selftesting.plan import answer
from cds_service.cli.selftesting.published import APPLY, PLAN, statement
from cds_service.cli.selftesting.refusals import refused

BATCH = Group("A batch of reads")
PLANS = Group("A batch of plans", writes=True)


def _get(path: str, **request: str) -> Json:
    return {"request": {"method": "GET", "url": path.removeprefix("/fhir/"), **request}}


def _plan(resource: Json) -> Json:
    url = APPLY.removeprefix("/fhir/")
    return {"request": {"method": "POST", "url": url}, "resource": resource}


def _sent(at: Deployment, *entries: Json, kind: str = "batch", **headers: str) -> Reply:
    bundle = {"resourceType": "Bundle", "type": kind, "entry": list(entries)}
    return at.post("/fhir", bundle, **headers)


def _entries(reply: Reply, *statuses: str) -> list[Json]:
    bundle = reply.good().json()
    expect(bundle["type"] == "batch-response", "it is no batch-response")
    found = tuple(each["response"]["status"][:3] for each in bundle["entry"])
    expect(found == statuses, f"the entries are {', '.join(found)}")
    entries: list[Json] = bundle["entry"]
    return entries


@BATCH.check("the CapabilityStatement promises batch and no transaction")
def _claimed(at: Deployment) -> None:
    (rest,) = statement(at)["rest"]
    codes = [each["code"] for each in rest.get("interaction", [])]
    expect(codes == ["batch"], f"it promises {codes}")


@BATCH.check("artefacts are read, and what there is not is refused by itself")
def _reads(at: Deployment) -> None:
    found = _entries(_sent(at, _get(PLAN), _get("/fhir/Nothing"), _get(PLAN)), "200", "404", "200")
    expect(found[0]["resource"] == at.get(PLAN).json(), "it is another artefact")
    expect(found[1]["response"]["outcome"]["issue"], "the refusal has no OperationOutcome")


@BATCH.check("an artefact is not sent again to who has it (304)")
def _unchanged(at: Deployment) -> None:
    (one,) = _entries(_sent(at, _get(PLAN)), "200")
    again = _sent(at, _get(PLAN, ifNoneMatch=one["response"]["etag"]))
    expect("resource" not in _entries(again, "304")[0], "it is sent")


@BATCH.check("501: a transaction")
def _transaction(at: Deployment) -> None:
    refused(_sent(at, _get(PLAN), kind="transaction"), 501)


@BATCH.check("a Bundle of another type is refused (422)")
def _collection(at: Deployment) -> None:
    refused(_sent(at, _get(PLAN), kind="collection"), 422)


@PLANS.check("a plan is the one of a call by itself, whatever stands beside it")
def _plans(at: Deployment) -> None:
    wrong = infant.changed(at, "-infant", lambda one: one.update(birthDate="1980-01-01"))
    sent = _sent(at, _plan(infant.request(at)), _plan(wrong), _plan(infant.request(at)))
    first, _, last = _entries(sent, "200", "422", "200")
    expect(answer(at).body in sent.body, "the bytes are others")
    expect(first["resource"] == last["resource"], "the same question has two answers")
    places = [each["response"]["location"] for each in (first, last)]
    expect(places[0] != places[1], "the two are one entry of the log")
    expect(sent.headers["cds-log-checkpoint"], "there is no checkpoint")


@PLANS.check("a retry is answered from the log, without a second entry")
def _retried(at: Deployment) -> None:
    key = f'"{uuid4()}"'
    first, again = (
        _sent(at, _plan(infant.request(at)), Idempotency_Key=key).good() for _ in range(2)
    )
    expect(again.headers.get("idempotency-replayed") == "true", "it is not said to be the stored")
    expect(again.body == first.body, "the bytes are others, or there is a second entry")
