"""What a deployment refuses, and how: nothing of this leaves an entry in the log."""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from cds_service.cli.selftesting import infant
from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import FHIR, Deployment, Reply, expect
from cds_service.cli.selftesting.published import APPLY

REFUSALS = Group("What is refused, each with an OperationOutcome")


class _Bad(NamedTuple):
    """A request that is to be refused with `status`."""

    says: str
    status: int
    method: str
    path: str
    body: bytes | None = None
    headers: Mapping[str, str] = FHIR


_PARAMETERS = b'{"resourceType": "Parameters"}'
_XML = {"Accept": "application/fhir+xml"}
_BAD = (
    _Bad("a body that is no JSON", 400, "POST", APPLY, b"{not json"),
    _Bad("an empty body", 400, "POST", APPLY, b""),
    _Bad("a key that is there twice", 400, "POST", APPLY,
         b'{"resourceType": "Parameters", "resourceType": "Parameters"}'),
    _Bad("a body that is not UTF-8", 400, "POST", APPLY, b'{"resourceType": "\xff"}'),
    _Bad("a list instead of a resource", 400, "POST", APPLY, b"[]"),
    _Bad("an Idempotency-Key that is too short", 400, "POST", APPLY, _PARAMETERS,
         {**FHIR, "Idempotency-Key": '"1"'}),
    _Bad("a place in the log that is no number", 400, "GET", "/log/entries/first"),
    _Bad("an address that there is not", 404, "GET", "/fhir/Nothing"),
    _Bad("an artefact that there is not", 404, "GET", "/fhir/PlanDefinition/nothing"),
    _Bad("an entry beyond the log", 404, "GET", "/log/entries/999999999999"),
    _Bad("an AuditEvent beyond the log", 404, "GET", "/fhir/AuditEvent/log-999999999999"),
    _Bad("a decision that there is not", 404, "GET", "/fhir/GuidanceResponse/nothing"),
    _Bad("GET of $apply", 405, "GET", APPLY),
    _Bad("PUT of $apply", 405, "PUT", APPLY, _PARAMETERS),
    _Bad("DELETE of the CapabilityStatement", 405, "DELETE", "/fhir/metadata"),
    _Bad("XML as the answer, of an artefact", 406, "GET", "/fhir/metadata", None, _XML),
    _Bad("XML as the answer, of $apply", 406, "POST", APPLY, _PARAMETERS, FHIR | _XML),
    _Bad("_format=xml", 406, "GET", "/fhir/metadata?_format=xml"),
    _Bad("FHIR 5.0 as the answer", 406, "GET", "/fhir/metadata", None,
         {"Accept": "application/fhir+json; fhirVersion=5.0"}),
    _Bad("a body that is larger than any visit", 413, "POST", APPLY, None,
         {**FHIR, "Content-Length": "999999999999"}),
    _Bad("XML as the request", 415, "POST", APPLY, b"<Parameters/>",
         {"Content-Type": "application/fhir+xml"}),
    _Bad("a request without Content-Type", 415, "POST", APPLY, _PARAMETERS, {}),
    _Bad("a compressed request", 415, "POST", APPLY, b"x", {**FHIR, "Content-Encoding": "gzip"}),
    _Bad("UTF-16", 415, "POST", APPLY, b"x",
         {"Content-Type": "application/fhir+json; charset=utf-16"}),
    _Bad("FHIR 5.0 as the request", 415, "POST", APPLY, b"{}",
         {"Content-Type": "application/fhir+json; fhirVersion=5.0"}),
    _Bad("data without a patient", 422, "POST", APPLY, _PARAMETERS),
)  # fmt: skip


def refused(reply: Reply, status: int) -> None:
    """Raise Wrong unless it is a refusal with this status that says what is the matter."""
    reply.good(status)
    outcome = reply.json()
    expect(outcome["resourceType"] == "OperationOutcome", "it is no OperationOutcome")
    for issue in outcome["issue"]:
        expect(issue["severity"] in ("error", "fatal"), "the severity is not error")
        expect(issue["code"] and (issue.get("diagnostics") or issue["details"]["text"]), "no text")
    expect(b"Traceback" not in reply.body, "it shows the inside of the service")


def _is_refused(bad: _Bad) -> Callable[[Deployment], None]:
    def ask(at: Deployment) -> None:
        reply = at.ask(bad.method, bad.path, bad.body, bad.headers)
        refused(reply, bad.status)
        if bad.status == 405:
            expect(reply.headers.get("allow"), "there is no Allow")
        if bad.status == 415:
            expect(reply.headers.get("accept"), "there is no Accept")

    return ask


for _bad in _BAD:
    REFUSALS.check(f"{_bad.status}: {_bad.says}")(_is_refused(_bad))


@REFUSALS.check("422: an adult")
def _adult(at: Deployment) -> None:
    asked = infant.changed(at, "-infant", lambda one: one.update(birthDate="1980-01-01"))
    refused(at.post(APPLY, asked), 422)


@REFUSALS.check("400: with strict handling, an element that FHIR does not have")
def _strict(at: Deployment) -> None:
    asked = infant.changed(at, "-weight", lambda one: one.update(notAnElement=True))
    refused(at.post(APPLY, asked, Prefer="handling=strict"), 400)
