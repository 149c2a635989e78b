"""A refusal as a page, when it is a browser that asks; the same words as for any caller."""

from collections.abc import Awaitable, Callable

import orjson
from starlette.requests import Request
from starlette.responses import Response

from cds_service.errors import LogUnavailable, PayloadErased
from cds_service.web import problems
from cds_service.web.problems import Refused
from cds_service.web.site.render import page

Handler = Callable[[Request], Awaitable[Response]]
_TITLES = {
    400: "This cannot be read",
    404: "Not found",
    410: "Erased",
    413: "Too much at once",
    415: "Not a form",
    500: "Altered",
    503: "The log cannot be read now",
}


def wants_page(request: Request) -> bool:
    """Whether a page is the better answer: unless only JSON is accepted."""
    accept = request.headers.get("accept", "").lower()
    return "html" in accept or "json" not in accept


def told(handler: Handler, protocol: str) -> Handler:
    """The handler, with its refusals as pages."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except (Refused, PayloadErased, LogUnavailable) as error:
            if not wants_page(request):
                raise
            return refusal(_refused(error), protocol)

    return answer


def _refused(error: Refused | PayloadErased | LogUnavailable) -> Refused:
    if isinstance(error, LogUnavailable):
        what, remedy = "The log cannot be read now.", "Try again in a few seconds."
        wait = {"retry-after": str(problems.RETRY_AFTER)}
        return problems.refused(503, "transient", what, remedy, wait)
    return problems.erased(error.index) if isinstance(error, PayloadErased) else error


def refusal(refused: Refused, protocol: str) -> Response:
    """The page of a refusal."""
    issues = [
        (issue["details"]["text"], issue.get("diagnostics", ""))
        for issue in orjson.loads(refused.body)["issue"]
    ]
    shown = page(
        "records/refusal.html",
        refused.status,
        here="/records",
        protocol=protocol,
        title=_TITLES.get(refused.status, "Refused"),
        issues=issues,
    )
    shown.headers.update(refused.headers)
    return shown
