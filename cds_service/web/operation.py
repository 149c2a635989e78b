"""What the bare ASGI callables have in common: every failure becomes an OperationOutcome."""

import asyncio
from collections.abc import Awaitable

from starlette.types import Scope, Send

from cds_service.web import problems
from cds_service.web.bodies import Gone
from cds_service.web.correlation import Correlation
from cds_service.web.replies import Reply


async def answer(made: Awaitable[Reply], scope: Scope, send: Send, given: Correlation) -> None:
    """Send the reply when it is made, or say why there is none; `given` are the request's ids."""
    try:
        reply = await made
    except Gone:
        return
    except asyncio.CancelledError:  # only the server does this, at the end of its grace
        refusal = problems.stopping()
        reply = Reply(refusal.status, refusal.body, refusal.headers)
    except Exception as error:  # noqa: BLE001 - whatever it was: no recommendation
        refusal = problems.reply_to(error, given)
        reply = Reply(refusal.status, refusal.body, refusal.headers)
    await reply.send(send, given, head=scope["method"] == "HEAD")
