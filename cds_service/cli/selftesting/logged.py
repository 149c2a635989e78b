"""What is kept of a recommendation: headers, proofs, retries. Leaves entries in the log."""

import base64
import json
from hashlib import sha256
from uuid import uuid4

from cds_service.audit.note import Verifier, VerifierKey
from cds_service.audit.proof import ConsistencyProof, InclusionProof
from cds_service.cli.selftesting import infant
from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import Deployment, Json, Reply, Wrong, expect
from cds_service.cli.selftesting.plan import answer
from cds_service.cli.selftesting.published import APPLY
from cds_service.cli.selftesting.refusals import refused
from cds_service.errors import LogProofError

LOG = Group("The log, and its proofs", writes=True)
RETRIES = Group("Retries", writes=True)


def _index(reply: Reply) -> int:
    return int(reply.headers["cds-log-index"])


def _note(reply: Reply) -> str:
    """The signed checkpoint that came with an answer."""
    return base64.b64decode(reply.headers["cds-log-checkpoint"], validate=True).decode()


def _verifier(at: Deployment) -> Verifier:
    keys = at.get("/log/keys").good().body.decode().split()
    return Verifier([VerifierKey.parse(key) for key in keys])


def _part(at: Deployment, part: str) -> bytes:
    return at.get(f"/log/{part}/{_index(answer(at))}").good().body


@LOG.check("the answer names its place, its decision and a checkpoint")
def _headers(at: Deployment) -> None:
    reply = answer(at)
    expect(_index(reply) >= 0, "the place is no number from 0")
    expect(reply.headers["cds-decision-id"], "there is no decision id")
    expect(reply.headers["cache-control"] == "no-store", "it may be stored on the way")


@LOG.check("its checkpoint is signed by a key of the log, and commits to the entry")
def _checkpoint(at: Deployment) -> None:
    text, _ = _open(at, _note(answer(at)))
    expect(int(text.split("\n")[1]) > _index(answer(at)), "the log is shorter than that")


def _open(at: Deployment, note: str) -> tuple[str, object]:
    try:
        return _verifier(at).open(note)
    except LogProofError as error:
        raise Wrong(str(error)) from error


def _proof(at: Deployment) -> InclusionProof:
    return InclusionProof.parse(_part(at, "proof/inclusion").decode())


@LOG.check("the proof leads from the entry to a signed checkpoint")
def _included(at: Deployment) -> None:
    try:
        _proof(at).verify(_part(at, "entries"), _verifier(at))
    except LogProofError as error:
        raise Wrong(str(error)) from error


@LOG.check("the same proof does not hold for an entry with another byte")
def _forged(at: Deployment) -> None:
    try:
        _proof(at).verify(_part(at, "entries") + b" ", _verifier(at))
    except LogProofError:
        return
    raise Wrong("it holds all the same")


@LOG.check("request and answer are kept byte by byte")
def _kept(at: Deployment) -> None:
    expect(_part(at, "response") == answer(at).body, "the answer is another one")
    kept = json.loads(_part(at, "request"))
    asked = json.loads(json.dumps(infant.request(at)))
    expect(kept == asked, "the request is another one")


@LOG.check("the entry commits to this request and this answer")
def _committed(at: Deployment) -> None:
    opening = json.loads(_part(at, "opening"))
    parts = (_part(at, "request"), answer(at).body, opening["rest"].encode())
    hashes = b"".join(sha256(part).digest() for part in parts)
    salted = b"cds-service payload 2\n" + bytes.fromhex(opening["salt"]) + hashes
    leaf = dict(json.loads(_part(at, "entries")))
    expect(leaf["commitment"] == sha256(salted).hexdigest(), "it commits to something else")


@LOG.check("the log has only grown since that checkpoint")
def _grown(at: Deployment) -> None:
    old, new = _note(answer(at)), at.get("/log/checkpoint").good().body.decode()
    sizes = [int(note.split("\n")[1]) for note in (old, new)]
    text = at.get(f"/log/proof/consistency?from={sizes[0]}&to={sizes[1]}").good().body.decode()
    try:
        ConsistencyProof.parse(text).verify(old, new, _verifier(at))
    except LogProofError as error:
        raise Wrong(str(error)) from error


@LOG.check("the entry is an AuditEvent, found by its decision too")
def _event(at: Deployment) -> None:
    event = at.get(f"/fhir/AuditEvent/log-{_index(answer(at))}").good().json()
    expect(event["resourceType"] == "AuditEvent", "it is no AuditEvent")
    decision = answer(at).headers["cds-decision-id"]
    found = at.get(f"/fhir/AuditEvent?entity=GuidanceResponse/{decision}").good().json()
    expect(found["entry"], "it is not found")


@LOG.check("the GuidanceResponse can be read again")
def _guidance(at: Deployment) -> None:
    read = at.get(f"/fhir/GuidanceResponse/{answer(at).headers['cds-decision-id']}").good().json()
    expect(read["resourceType"] == "GuidanceResponse", "it is no GuidanceResponse")


def _of_decision(at: Deployment, operation: str, resource: Json) -> Reply:
    decision = answer(at).headers["cds-decision-id"]
    return at.post(f"/fhir/GuidanceResponse/{decision}/${operation}", resource)


@LOG.check("decided again ($replay) it is answered")
def _replay(at: Deployment) -> None:
    found = _of_decision(at, "replay", {"resourceType": "Parameters"}).good().json()
    expect(found["resourceType"] == "Parameters", "it is no Parameters")


@LOG.check("feedback without its necessary parts is refused (4xx)")
def _no_feedback(at: Deployment) -> None:
    reply = _of_decision(at, "feedback", {"resourceType": "Parameters"})
    expect(400 <= reply.status < 500, f"the status is {reply.status}")


@LOG.check("feedback is recorded as an entry of its own")
def _feedback(at: Deployment) -> None:
    said = (("outcome", "valueCode", "accepted"), ("by", "valueString", "selftest"))
    parameters = [{"name": name, kind: value} for name, kind, value in said]
    reply = _of_decision(at, "feedback", {"resourceType": "Parameters", "parameter": parameters})
    expect(reply.status in (200, 201), f"the status is {reply.status}")
    expect(_index(reply) > _index(answer(at)), "it is no new entry")


def _key(at: Deployment) -> str:
    """A key that nobody used before."""
    return at.once("key", lambda: f'"{uuid4()}"')


def _first(at: Deployment) -> Reply:
    def ask() -> Reply:
        return at.post(APPLY, infant.request(at), Idempotency_Key=_key(at)).good()

    return at.once("first with a key", ask)


@RETRIES.check("the same key and body are answered from the log, without a second entry")
def _retried(at: Deployment) -> None:
    first = _first(at)
    again = at.post(APPLY, infant.request(at), Idempotency_Key=_key(at)).good()
    expect(again.headers.get("idempotency-replayed") == "true", "it is not said to be the stored")
    expect(again.body == first.body, "the bytes are others")
    expect(_index(again) == _index(first), "there is a second entry")


@RETRIES.check("the same key with another body is refused (422)")
def _other_body(at: Deployment) -> None:
    _first(at)
    refused(at.post(APPLY, infant.without(at, "-weight"), Idempotency_Key=_key(at)), 422)


@RETRIES.check("a refused request leaves its key free")
def _free(at: Deployment) -> None:
    key = f'"{uuid4()}"'
    refused(at.post(APPLY, {"resourceType": "Parameters"}, Idempotency_Key=key), 422)
    found = at.post(APPLY, infant.request(at), Idempotency_Key=key).good()
    expect("idempotency-replayed" not in found.headers, "it was not free")
