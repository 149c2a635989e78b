"""`POST /fhir`: many requests in one batch Bundle (FHIR R4 http.html#transaction).

Each entry is sent through this same application as a request of its own, so that it is checked,
recorded and answered as if it had come alone. Entries do not know of each other, and a
transaction is not offered: a log that only grows takes nothing back.
"""

import asyncio
import base64
from collections.abc import Sequence
from urllib.parse import unquote

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds_service.fhir.read_batch import Asked, Members, read_batch, read_entry
from cds_service.fhir.write_batch import Answered, write_batch
from cds_service.web import problems
from cds_service.web.apply import ALLOW, check_acceptable
from cds_service.web.bodies import check_readable, wanted_key, whole_body
from cds_service.web.correlation import NAMES, Correlation, correlation
from cds_service.web.operation import answer
from cds_service.web.prefer import OUTCOME, preferences
from cds_service.web.replies import Reply, correlated, header_lines, request_headers

PATH = "/fhir"
"""The base, to which a batch is posted."""
MAX_ENTRIES = 100
"""Most entries of one batch unless the settings say otherwise."""
LONGEST_KEY = 120
"""Letters of a batch's Idempotency-Key: with the number of an entry it must still be one."""

_READ = (
    b"content-type", b"content-length", b"content-encoding", b"accept", b"prefer", *NAMES,
)  # fmt: skip
_OF_THE_BATCH = frozenset({
    b"content-type", b"content-length", b"content-encoding", b"transfer-encoding", b"accept",
    b"idempotency-key", b"if-none-match", b"if-match", b"if-modified-since",
    b"if-unmodified-since", b"if-none-exist", *NAMES,
})  # fmt: skip
"""Headers that are the batch's own; every other one is handed to each entry."""
_FHIR = b"application/fhir+json"


class Batch:
    """The batch interaction over `app`, the whole application.

    `max_body` is the largest request in bytes, `max_entries` the most entries in one.
    """

    def __init__(self, app: ASGIApp, max_body: int, max_entries: int = MAX_ENTRIES) -> None:
        self._app = app
        self._max_body = max_body
        self._max_entries = max_entries

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one batch."""
        headers = request_headers(scope, _READ)
        given = correlation(headers)
        await answer(self._reply(scope, headers, receive, given), scope, send, given)

    async def _reply(
        self, scope: Scope, headers: dict[bytes, str], receive: Receive, given: Correlation
    ) -> Reply:
        if scope["method"] == "OPTIONS":
            return Reply(204, headers={"allow": ALLOW})
        if scope["method"] != "POST":
            raise problems.method_not_allowed(ALLOW)
        check_acceptable(headers[b"accept"], scope["query_string"])
        check_readable(headers[b"content-type"], headers[b"content-encoding"])
        key = wanted_key(header_lines(scope, b"idempotency-key"))
        if len(key) > LONGEST_KEY:
            raise problems.wrong_key(LONGEST_KEY)
        body = await whole_body(receive, headers[b"content-length"], self._max_body)
        wanted = preferences(headers[b"prefer"])
        entries = read_batch(body, strict=wanted.strict)
        if len(entries) > self._max_entries:
            raise problems.too_many(self._max_entries)
        base = _for_each(scope, given)
        replies = await self._all(base, entries, key, strict=wanted.strict)
        answered = [_answered(each) for each in replies]
        return Reply(200, write_batch(answered), wanted.applied() | _recorded(replies))

    async def _all(
        self, scope: Scope, entries: Sequence[Members], key: str, *, strict: bool
    ) -> list["_Heard"]:
        """Every answer, in the order of the entries; they are asked side by side."""
        async with asyncio.TaskGroup() as group:
            tasks = []
            for index, entry in enumerate(entries):
                own = f"{key}/{index}" if key else ""
                one = self._one(scope, entry, index, own, strict=strict)
                tasks.append(group.create_task(one))
                await asyncio.sleep(0)  # whoever asks for a single plan meanwhile is not kept
        return [task.result() for task in tasks]

    async def _one(
        self, scope: Scope, entry: Members, index: int, key: str, *, strict: bool
    ) -> "_Heard":
        heard = _Heard()
        try:
            asked = read_entry(entry, index, strict=strict)
            await self._app(_as_request(scope, asked, key, index), _body(asked), heard.send)
        except Exception as error:  # noqa: BLE001 - the others are answered all the same
            refusal = problems.reply_to(error, correlated(scope))
            heard.status, heard.body = refusal.status, refusal.body
        return heard


class _Heard:
    """What the application sent as the answer to one entry."""

    def __init__(self) -> None:
        self.status = 500
        self.headers: dict[bytes, str] = {}
        self.body = b""

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {name: value.decode("latin-1") for name, value in message["headers"]}
        else:
            self.body += message.get("body", b"")


def _for_each(scope: Scope, given: Correlation) -> Scope:
    """What all entries have in common: who asks, and what else the batch's headers say."""
    kept = [pair for pair in scope["headers"] if pair[0] not in _OF_THE_BATCH]
    return {**scope, "headers": [*kept, (b"accept", _FHIR), *given.headers]}


def _as_request(scope: Scope, asked: Asked, key: str, index: int) -> Scope:
    """The entry as a request; raises Refused (400) when its address is none below the base."""
    path, _, query = asked.url.partition("?")
    if not path or path.startswith("/") or ":" in path or "#" in asked.url or not query.isascii():
        raise problems.wrong_url(f"Bundle.entry[{index}].request.url")
    headers = list(scope["headers"])
    if asked.method not in ("GET", "HEAD"):
        headers += [(b"content-type", _FHIR), (b"content-length", b"%d" % len(asked.resource))]
    if key:
        headers.append((b"idempotency-key", f'"{key}"'.encode()))
    if asked.if_none_match:
        headers.append((b"if-none-match", asked.if_none_match.encode("latin-1", "replace")))
    below = f"{PATH}/{unquote(path)}"
    return {
        **scope,
        "method": asked.method,
        "path": below,
        "raw_path": below.encode(),
        "query_string": query.encode(),
        "headers": headers,
    }


def _body(asked: Asked) -> Receive:
    async def receive() -> Message:
        return {"type": "http.request", "body": asked.resource, "more_body": False}

    return receive


def _answered(heard: _Heard) -> Answered:
    index, etag = heard.headers.get(b"cds-log-index"), heard.headers.get(b"etag", "")
    location = "" if index is None else f"AuditEvent/log-{index}"
    only_told = f"return={OUTCOME}" in heard.headers.get(b"preference-applied", "")
    return Answered(heard.status, heard.body, only_told or heard.status >= 400, etag, location)


def _recorded(replies: Sequence[_Heard]) -> dict[str, str]:
    """The latest checkpoint: it commits to what was recorded for every entry."""
    found = [each.headers for each in replies if b"cds-log-checkpoint" in each.headers]
    if not found:
        return {}
    told = {"cds-log-checkpoint": max((each[b"cds-log-checkpoint"] for each in found), key=_size)}
    if all(b"idempotency-replayed" in each for each in found):
        told["idempotency-replayed"] = "true"
    return told


def _size(note: str) -> int:
    return int(base64.b64decode(note).split(b"\n")[1])  # C2SP tlog-checkpoint
