"""What is asked: requests of every kind, drawn at random, each with the statuses that may come."""

import json
import random
import uuid
from collections import deque
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import NamedTuple

import httpx

from tests.examples import NOTE, PATH, STORIES, sent
from tests.hook_examples import CALLS, call, path
from tests.hooks import sent as written

FHIR = {"content-type": "application/fhir+json"}
_RECENT = 200
_LANGUAGES = ("", "sw")
_LABELS = ("paper=a6", "paper=58mm&format=svg", "paper=a5&lang=sw", "paper=a6&name=blank")


class Ask(NamedTuple):
    """One request."""

    kind: str
    method: str
    path: str
    body: bytes = b""
    headers: dict[str, str] = FHIR
    due: tuple[int, ...] = (200,)
    """Statuses of which one must come; 503 that says when to come again is never one."""
    answered: bool = False
    """Whether the bytes of the answer are those that the log must have."""


def infant(name: str, number: int) -> bytes:
    """The infant of an example under a name of its own."""
    return sent(name).replace(b"mv-infant-", b"mv-%d-" % number)


def warming() -> Iterator[Ask]:
    """All that is remembered once it was asked for: each story in each language, and its note.

    What memory takes after that is not for the sake of speed.
    """
    for name in STORIES:
        yield Ask("referral note", "POST", NOTE, infant(name, 0), answered=True)
        for language in _LANGUAGES:
            yield _plan(infant(name, 0), language)
    for at in (*_PUBLISHED, "/records", "/records/doses"):
        yield Ask("published", "GET", at, headers={})


def _plan(body: bytes, language: str) -> Ask:
    headers = FHIR | ({"accept-language": language} if language else {})
    return Ask("recommendation", "POST", PATH, body, headers, answered=True)


class Mix:
    """Draws requests; what was answered before is asked about later."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._decisions: deque[tuple[str, int]] = deque(maxlen=_RECENT)
        self._once_more: deque[Ask] = deque(maxlen=_RECENT)

    def heard(self, ask: Ask, answer: httpx.Response) -> None:
        """Remember what may be asked about."""
        if ask.kind == "recommendation" and answer.status_code == 200:
            index = int(answer.headers["cds-log-index"])
            self._decisions.append((answer.headers["cds-decision-id"], index))

    def draw(self) -> Ask:
        """The next request. Before there is a decision only one is asked for."""
        if not self._decisions:
            return self._recommendation()
        kinds, weights = zip(*_SHARES.items(), strict=True)
        return self._chance.choices(kinds, weights)[0](self)

    def _infant(self) -> bytes:
        return infant(self._chance.choice(STORIES), self._chance.randrange(10**9))

    def _recommendation(self) -> Ask:
        return _plan(self._infant(), self._chance.choice(_LANGUAGES))

    def _retried(self) -> Ask:
        """One with a key, and later the same once more."""
        if self._once_more and self._chance.random() < 0.5:
            return self._once_more.popleft()
        key = uuid.UUID(int=self._chance.getrandbits(128))
        ask = Ask(
            "retry", "POST", PATH, self._infant(), FHIR | {"idempotency-key": f'"{key}"'},
            answered=True,
        )  # fmt: skip
        self._once_more.append(ask)
        return ask

    def _note(self) -> Ask:
        return Ask("referral note", "POST", NOTE, self._infant(), answered=True)

    def _batch(self) -> Ask:
        request = {"method": "POST", "url": PATH.removeprefix("/fhir/")}
        entries = [{"request": request, "resource": json.loads(self._infant())} for _ in range(3)]
        entries.append({"request": {"method": "GET", "url": "CodeSystem/finding"}})
        bundle = {"resourceType": "Bundle", "type": "batch", "entry": entries}
        return Ask("batch", "POST", "/fhir", json.dumps(bundle).encode())

    def _hook(self) -> Ask:
        name = self._chance.choice(list(CALLS))
        made = json.loads(call(name), parse_float=Decimal)
        made["hookInstance"] = str(uuid.UUID(int=self._chance.getrandbits(128), version=4))
        return Ask(
            "CDS Hooks", "POST", path(name), written(made), {"content-type": "application/json"}
        )

    def _feedback(self) -> Ask:
        decision, index = self._chance.choice(self._decisions)
        said = [
            {"name": "outcome", "valueCode": self._chance.choice(("accepted", "overridden"))},
            {"name": "by", "valueString": "Nurse Pell"},
            {"name": "reason", "valueString": "The family declines referral"},
            {"name": "entry", "valueInteger": index},
        ]
        body = json.dumps({"resourceType": "Parameters", "parameter": said}).encode()
        return Ask("feedback", "POST", f"/fhir/GuidanceResponse/{decision}/$feedback", body)

    def seen_again(self) -> Iterator[Ask]:
        """What was decided last, each asked again and printed once."""
        for turn, (decision, index) in enumerate(list(self._decisions)[-len(STORIES) :]):
            yield self._printed(decision, index, _LABELS[turn % len(_LABELS)])
            at = f"/fhir/GuidanceResponse/{decision}/$replay"
            yield Ask("audit", "POST", at, headers={})

    def _label(self) -> Ask:
        return self._printed(*self._chance.choice(self._decisions), self._chance.choice(_LABELS))

    def _printed(self, decision: str, index: int, form: str) -> Ask:
        # 422: no medicine is due, so there is nothing to print.
        at = f"/fhir/GuidanceResponse/{decision}/label?{form}&entry={index}"
        return Ask("label", "GET", at, headers={}, due=(200, 422))

    def _audit(self) -> Ask:
        decision, index = self._chance.choice(self._decisions)
        at = self._chance.choice(_READ).format(decision=decision, index=index)
        method = "POST" if at.endswith("$replay") else "GET"
        headers = {"accept": "text/html"} if at.startswith("/records") else {}
        return Ask("audit", method, at, headers=headers)

    def _published(self) -> Ask:
        return Ask("published", "GET", self._chance.choice(_PUBLISHED), headers={})

    def _bad(self) -> Ask:
        return self._chance.choice(_BAD)(self._infant())


_READ = (
    "/fhir/AuditEvent?date=ge2026-01-01&_count=20", "/fhir/AuditEvent/log-{index}",
    "/fhir/GuidanceResponse/{decision}", "/fhir/GuidanceResponse/{decision}/$record",
    "/fhir/GuidanceResponse/{decision}/$replay", "/log/checkpoint", "/log/entries/{index}",
    "/log/proof/inclusion/{index}", "/log/response/{index}", "/records", "/records/{index}",
    "/records?class=pneumonia",
)  # fmt: skip
_PUBLISHED = (
    "/", "/docs", "/fhir/metadata", "/fhir/PlanDefinition", "/fhir/CodeSystem/finding",
    "/cds-services", "/health/live", "/health/ready", "/metrics",
)  # fmt: skip
_BAD: tuple[Callable[[bytes], Ask], ...] = (
    lambda body: Ask("bad", "POST", PATH, body[: len(body) // 2], due=(400,)),
    lambda body: Ask("bad", "POST", PATH, body.replace(b'"Patient"', b'"Person"'), due=(422,)),
    lambda body: Ask("bad", "POST", PATH, body.replace(b'"final"', b'"banana"'), due=(400,)),
    lambda body: Ask("bad", "POST", PATH, body, {"content-type": "text/plain"}, (415,)),
    lambda body: Ask("bad", "POST", PATH, body + b" " * 1_100_000, due=(413,)),
    lambda _: Ask("bad", "POST", PATH, b'{"resourceType":"Parameters"}', due=(400, 422)),
    lambda _: Ask("bad", "GET", PATH, due=(405,)),
    lambda _: Ask("bad", "GET", "/fhir/GuidanceResponse/nothing", due=(404,)),
    lambda _: Ask("bad", "GET", "/log/entries/999999999", due=(404,)),
)
_SHARES: dict[Callable[[Mix], Ask], float] = {
    Mix._recommendation: 40,
    Mix._retried: 6,
    Mix._note: 5,
    Mix._batch: 3,
    Mix._hook: 5,
    Mix._feedback: 8,
    Mix._label: 4,
    Mix._audit: 14,
    Mix._published: 5,
    Mix._bad: 10,
}
"""How often each is drawn, in parts of a hundred."""
