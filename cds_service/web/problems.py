"""Every way to say no: one status and one OperationOutcome for each.

The texts say what to do and never repeat what was sent.
"""

import logging
import traceback
from collections.abc import Mapping, Sequence

import orjson
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match

from cds_service.errors import (
    CardUnknown,
    DataNotSent,
    LogUnavailable,
    MalformedRequest,
    NotOffered,
    PayloadErased,
    Problem,
    RequestError,
)
from cds_service.fhir.audit_event import proof_address
from cds_service.fhir.outcome import outcome
from cds_service.web.correlation import Correlation
from cds_service.web.negotiate import FHIR_JSON

_log = logging.getLogger("cds_service.web")

CORRELATION = "cds_service.correlation"
"""Where the ASGI scope holds the ids that this request is known by."""

PAPER = "Do not use this service now: use the paper chart and the national protocol."
"""What a health worker is to do when the service fails."""

RETRY_AFTER = 5
"""Seconds after which a caller may try again when the log did not take an entry."""


class Refused(Exception):
    """A request that gets no recommendation: status, problems, further headers."""

    def __init__(
        self,
        status: int,
        problems: Sequence[Problem],
        headers: Mapping[str, str] | None = None,
        severity: str = "error",
    ) -> None:
        super().__init__(f"HTTP {status}")
        self.status = status
        self.headers = dict(headers or {})
        self.body = orjson.dumps(outcome(problems, severity=severity))
        """The OperationOutcome in JSON."""


def refused(
    status: int, code: str, what: str, remedy: str, headers: Mapping[str, str] | None = None
) -> Refused:
    """One problem with an issue-type `code` of FHIR R4."""
    return Refused(status, [Problem(code, what, remedy)], headers)


def not_found() -> Refused:
    """404: there is no such thing here."""
    remedy = "GET /fhir/metadata says what there is."
    return refused(404, "not-found", "There is nothing at this address.", remedy)


def method_not_allowed(allowed: str) -> Refused:
    """405 with the Allow header that RFC 9110 asks for."""
    what = "This method is not supported at this address."
    return refused(405, "not-supported", what, f"Use {allowed}.", {"allow": allowed})


def not_acceptable() -> Refused:
    """406: the caller accepts nothing that we can write."""
    remedy = "Accept application/fhir+json, with fhirVersion=4.0 or none."
    return refused(406, "not-supported", "Only FHIR R4 (4.0) in JSON can be written.", remedy)


def no_such_form(known: str) -> Refused:
    """406: the caller accepts none of the `known` media types of a label."""
    what = "A label is made in none of the accepted forms."
    return refused(406, "not-supported", what, f"Accept one of {known}.")


def wrong_parameter(name: str, known: Sequence[str]) -> Refused:
    """400: a parameter is not usable as sent (`name` one of ours), or is not known at all ("")."""
    what = (
        f"The parameter `{name}` is not usable." if name else "A parameter is not known, or twice."
    )
    return refused(400, "value", what, f"Send one of: {', '.join(known)}.")


def too_large(limit: int) -> Refused:
    """413: the body is larger than `limit` bytes."""
    remedy = "Send only this infant's resources of this visit."
    return refused(413, "too-long", f"The request is larger than {limit} bytes.", remedy)


def too_many(limit: int) -> Refused:
    """413: the batch has more than `limit` entries."""
    remedy = "Send them in several batches."
    return refused(413, "too-costly", f"The batch has more than {limit} entries.", remedy)


def wrong_url(place: str) -> Refused:
    """400: an entry of a batch asks for an address that is none below the base."""
    what = "The address is not one below the base of this service."
    remedy = "Send it relative to the base, such as PlanDefinition/{id}/$apply."
    return Refused(400, [Problem("value", what, remedy, place)])


def unsupported_media(what: str, wanted: str = "application/fhir+json") -> Refused:
    """415: the body is not declared as what is read, in UTF-8; `what` says how it is."""
    remedy = f"Send the header Content-Type: {wanted}, and the body in UTF-8."
    return refused(415, "not-supported", what, remedy, {"accept": wanted})


def beyond_the_log() -> Refused:
    """404: the log is not that long, or the entry is of another tenant."""
    remedy = "GET /log/checkpoint says in its second line how many entries there are."
    return refused(404, "not-found", "The log has no such entry.", remedy)


def no_such_decision() -> Refused:
    """404: no entry of this decision can be read."""
    what = "The log has no recommendation with this id, or it was erased and its id with it."
    remedy = (
        "Check the id. Whether it was erased, and when, its entry says: GET "
        "/fhir/AuditEvent/log-{index}, with the number in the header Cds-Log-Index of the answer."
    )
    return refused(404, "not-found", what, remedy)


def no_such_service() -> Refused:
    """404: no CDS Hooks service has this id."""
    remedy = "GET /cds-services lists those that there are."
    return refused(404, "not-found", "There is no such service.", remedy)


def no_such_card(place: str) -> Refused:
    """404: a feedback is about a card that this service did not deal, or that was erased."""
    what = "The log has no such card of this service."
    remedy = "Send the uuid of the card as it was answered, to the service that answered it."
    return Refused(404, [Problem("not-found", what, remedy, f"{place}.card")])


def no_recommendation() -> Refused:
    """404: the entry is something else."""
    remedy = "GET /fhir/AuditEvent/log-{index} says what it is."
    return refused(404, "not-found", "This entry of the log is no recommendation.", remedy)


def entry_needed() -> Refused:
    """400: neither a decision nor an entry was named."""
    remedy = "Send the parameter `entry` with the index of an entry of the log."
    return refused(400, "required", "It is not said which entry is meant.", remedy)


def erased(index: int) -> Refused:
    """410: the payload of an entry was erased; its proof is still there."""
    address = proof_address(index)
    remedy = (
        "They cannot be had again, here or elsewhere in this log. When they were erased says "
        f"GET /fhir/AuditEvent/log-{index}; that they were recorded can still be proved: GET "
        f"{address}. For a recommendation now send a new request, with a new Idempotency-Key."
    )
    what = "The request and the answer of this entry were erased, on request or by age."
    headers = {"link": f'<{address}>; rel="related"'}
    return refused(410, "deleted", what, remedy, headers)


def altered(index: int) -> Refused:
    """500: what is stored of an entry is not what was recorded."""
    what = f"Entry {index} of the log was altered: it is not shown as what was recorded."
    remedy = "Verify the log (cds-service verify-log) and tell whoever keeps it."
    return refused(500, "exception", what, remedy)


def wrong_key(longest: int = 128) -> Refused:
    """400: the Idempotency-Key is not one."""
    remedy = (
        f"Send one key in quotation marks: 16 to {longest} letters, digits and ._~:+/=- "
        "(a UUID is best)."
    )
    return refused(400, "value", "The Idempotency-Key is not usable.", remedy)


def who_are_you() -> Refused:
    """401: no token, or none that is taken. It is not said why (CDS Hooks, SMART)."""
    remedy = "Send a token of a listed issuer; the operator of the service can see why it was not."
    headers = {"www-authenticate": "Bearer"}
    return refused(401, "login", "The caller is not known.", remedy, headers)


def not_yours() -> Refused:
    """403: the token is good, but not for this."""
    remedy = "Ask the operator of the service for the right to do this."
    return refused(403, "forbidden", "The caller may not do this.", remedy)


def another_host() -> Refused:
    """421: the request names a host that this service is not (RFC 9110, 15.5.20)."""
    remedy = (
        "Ask by localhost, 127.0.0.1 or [::1]. A further name of this machine is to be put into "
        "CDS_HOST_NAMES by the operator of the service."
    )
    return refused(421, "forbidden", "This service is not known by that name.", remedy)


def another_site() -> Refused:
    """403: a page of another site makes the browser write here."""
    remedy = (
        "Open the service's own page, or call it from a program. To let pages of a record system "
        "call CDS Hooks, the operator lists their origins in CDS_CORS_ORIGINS."
    )
    what = "A page of another site may not send anything here."
    return refused(403, "forbidden", what, remedy)


def another_machine() -> Refused:
    """403: nobody has to log in, and it is asked from elsewhere."""
    remedy = (
        "To serve others the operator lists the issuers of their tokens in a file and names it in "
        "CDS_ISSUERS_FILE."
    )
    what = "Callers are not known here, so only this machine is answered."
    return refused(403, "forbidden", what, remedy)


def not_now() -> Refused:
    """503: whether the caller may do this cannot be known now."""
    remedy = f"Try again in a few seconds. {PAPER}"
    wait = {"retry-after": str(RETRY_AFTER)}
    return refused(503, "transient", "Callers cannot be checked now.", remedy, wait)


def not_recorded() -> Refused:
    """503: that this was read could not be recorded, so it is not shown."""
    remedy = (
        "Try again in a few seconds. On the machine of the log, cds-service verify-log and export "
        "read it also when nothing can be written to it."
    )
    what = "That the log was read could not be recorded, so nothing is shown."
    return refused(503, "transient", what, remedy, {"retry-after": str(RETRY_AFTER)})


def too_many_at_once() -> Refused:
    """503: all places are taken, and the queue is full."""
    remedy = f"Try again in a second. {PAPER}"
    what = "The service is too busy and gives no recommendation now."
    return refused(503, "throttled", what, remedy, {"retry-after": "1"})


def too_often(wait: int) -> Refused:
    """429: this caller asks more often than the operator allows; `wait` in seconds."""
    remedy = f"Try again in {wait} seconds."
    what = "This caller asks too often."
    return refused(429, "throttled", what, remedy, {"retry-after": str(wait)})


def too_often_refused(wait: int) -> Refused:
    """429: too many tokens from this address were refused; `wait` in seconds."""
    remedy = (
        f"Try again in {wait} seconds, with a token of a listed issuer; one that is good is taken "
        "at any time. The operator of the service can see why the others were not."
    )
    what = "Too many tokens from this address were refused."
    return refused(429, "throttled", what, remedy, {"retry-after": str(wait)})


def too_slow() -> Refused:
    """408: the body did not come in time."""
    remedy = "Send the whole request at once, and try again."
    what = "The request did not arrive in time."
    return refused(408, "timeout", what, remedy, {"connection": "close"})


def stopping() -> Refused:
    """503: the service is being stopped, and this request was not finished in time."""
    what = "The service is being stopped and gives no recommendation."
    remedy = f"Try again in a few seconds. {PAPER}"
    return refused(503, "transient", what, remedy, {"retry-after": str(RETRY_AFTER)})


def reply_to(error: Exception, given: Correlation) -> Refused:
    """The answer to any error; one that nobody foresaw is written to the log.

    `given` are the ids that the caller is told, so that the two can be brought together.
    """
    if isinstance(error, Refused):
        return error
    if isinstance(error, RequestError):
        return Refused(_status(error), error.problems)
    if isinstance(error, CardUnknown):
        return no_such_card(error.place)
    if isinstance(error, PayloadErased):
        return erased(error.index)
    if isinstance(error, LogUnavailable):
        what = "The recommendation could not be recorded, so none is given."
        remedy = f"Try again in a few seconds. {PAPER}"
        return refused(503, "transient", what, remedy, {"retry-after": str(RETRY_AFTER)})
    given.write_down(_log, logging.ERROR, f"failed: {_where(error)}")
    problem = Problem("exception", "The service failed and gives no recommendation.", PAPER)
    return Refused(500, [problem], severity="fatal")


def _status(error: RequestError) -> int:
    if isinstance(error, DataNotSent):
        return 412
    if isinstance(error, NotOffered):
        return 501
    return 400 if isinstance(error, MalformedRequest) else 422


def add_handlers(app: FastAPI) -> None:
    """Let FastAPI refuse in FHIR too: what it does not find, does not allow, or fails at."""
    app.add_exception_handler(HTTPException, _of_framework)
    app.add_exception_handler(RequestValidationError, _of_framework)
    app.add_exception_handler(Refused, _of_framework)
    app.add_exception_handler(Exception, _of_framework)


async def _of_framework(request: Request, error: Exception) -> Response:
    refusal = reply_to(_translated(error, request), request.scope.get(CORRELATION, Correlation()))
    if request.method == "OPTIONS" and refusal.status == 405:
        return Response(None, 204, {"allow": refusal.headers["allow"]})
    return Response(refusal.body, refusal.status, refusal.headers, media_type=FHIR_JSON)


def _translated(error: Exception, request: Request) -> Exception:
    """FHIR's words for an error of the framework; any other error as it is."""
    if isinstance(error, LogUnavailable):
        what = "The log cannot be read or written now, so nothing was done."
        remedy, wait = "Try again in a few seconds.", {"retry-after": str(RETRY_AFTER)}
        return refused(503, "transient", what, remedy, wait)
    if isinstance(error, RequestValidationError):
        what, remedy = "A parameter of the address is not usable.", "See /docs."
        return refused(400, "value", what, remedy)
    if isinstance(error, HTTPException):
        if error.status_code == 405:
            return method_not_allowed(_allowed(request))
        return not_found()
    return error


def _allowed(request: Request) -> str:
    """Every method of an address; the framework names only those of the first of its routes."""
    methods: set[str] = set()
    for route in request.app.routes:
        if route.matches(request.scope)[0] is not Match.NONE:
            methods |= getattr(route, "methods", None) or set()
    more = {"HEAD", "OPTIONS"} if "GET" in methods else {"OPTIONS"}
    return ", ".join(sorted(methods | more))


def _where(error: Exception) -> str:
    """Type and place of a fault; not its message, which may hold what the caller sent."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f"{frames[-1].filename}:{frames[-1].lineno}" if frames else "an unknown place"
    return f"{type(error).__name__} at {place}"
