"""`POST /fhir/PlanDefinition/{id}/$apply`: the main job, as a bare ASGI callable for speed.

`$referral-note` takes the very same request and answers with the note that travels with the infant.

FHIR R4 plandefinition-operation-apply.html gives the shape; our own OperationDefinition says
what is accepted. The framework's routing would cost more than reading the request.
"""

from urllib.parse import parse_qs

from starlette.types import Receive, Scope, Send

from cds_service.service import Answer, Service
from cds_service.web import negotiate, problems
from cds_service.web.bodies import check_readable, recorded, wanted_key, whole_body
from cds_service.web.correlation import NAMES, correlation
from cds_service.web.operation import answer
from cds_service.web.prefer import preferences, shown
from cds_service.web.records import Who, nobody
from cds_service.web.replies import Reply, header_lines, request_headers

TYPE = "PlanDefinition"
"""The resource type that the operation belongs to."""

ALLOW = "POST, OPTIONS"
"""The methods of the operation's address."""

_READ = (
    b"content-type", b"content-length", b"content-encoding", b"accept", b"accept-language",
    b"prefer", *NAMES,
)  # fmt: skip


APPLY, NOTE = "apply", "referral-note"
"""The codes of the two operations."""


def path(service: Service, code: str = APPLY) -> str:
    """Address of an operation for the service's protocol."""
    return f"/fhir/{TYPE}/{service.protocol.id}/${code}"


class Apply:
    """An operation for one service; `max_body` is the largest request in bytes."""

    def __init__(
        self, service: Service, max_body: int, code: str = APPLY, who: Who = nobody
    ) -> None:
        self._service = service
        self._max_body = max_body
        self._note = code == NOTE
        self._who = who

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request; every failure becomes an OperationOutcome."""
        headers = request_headers(scope, _READ)
        given = correlation(headers)
        await answer(self._reply(scope, headers, receive), scope, send, given)

    async def _reply(self, scope: Scope, headers: dict[bytes, str], receive: Receive) -> Reply:
        if scope["method"] == "OPTIONS":
            return Reply(204, headers={"allow": ALLOW})
        if scope["method"] != "POST":
            raise problems.method_not_allowed(ALLOW)
        check_acceptable(headers[b"accept"], scope["query_string"])
        check_readable(headers[b"content-type"], headers[b"content-encoding"])
        key = wanted_key(header_lines(scope, b"idempotency-key"))
        body = await whole_body(receive, headers[b"content-length"], self._max_body)
        wanted = preferences(headers[b"prefer"])
        made = await self._service.recommend(
            body,
            strict=wanted.strict,
            languages=negotiate.wanted_languages(headers[b"accept-language"]),
            origin=self._who(scope),
            note=self._note,
            key=key,
        )
        status, shown_body = shown(made, wanted)
        told = recorded(made) | _of_recommendation(made) | wanted.applied()
        return Reply(status, shown_body, told)


def check_acceptable(accept: str, query: bytes) -> None:
    """Raise Refused (406) unless the caller takes JSON; FHIR's `_format` overrules Accept."""
    if query and (formats := parse_qs(query.decode("latin-1")).get("_format")):
        acceptable = negotiate.is_json_format(formats[0])
    else:
        acceptable = negotiate.accepts_json(accept)
    if not acceptable:
        raise problems.not_acceptable()


def _of_recommendation(answer: Answer) -> dict[str, str]:
    return {
        "content-language": ", ".join(answer.languages),
        "cds-decision-id": answer.decision_id,
    }
