"""Hostile requests in short; and that what watches over the answers can fail."""

import asyncio
import copy
import logging
import sys
from collections.abc import Callable, Iterator
from typing import Any

import orjson
import pytest

from tests.fuzz.__main__ import fuzzed, main, watching
from tests.fuzz.mutating import (
    Case,
    _add,
    _alike,
    _copy,
    _drop,
    _letters,
    _number,
    _put,
    _rename,
    _repeat,
    _swap,
    _wrap,
)
from tests.fuzz.planted import CANARY, requests
from tests.fuzz.watching import Watch, Wrong, check
from tests.security.asking import Asking, Told
from tests.web.conftest import protocol

FHIR = {"content-type": "application/fhir+json; charset=utf-8"}
ENTRY = {"cds-log-index": "0"}
TREE = {"a": [1, 2], "b": {"c": "xy"}}
A, C = ("a", 0), ("b", "c")


@pytest.fixture
def watch() -> Iterator[Watch]:
    with watching(protocol()) as made:
        yield made


def test_what_is_mutated_is_good_and_names_somebody(watch: Watch) -> None:
    for request in requests():
        told = watch(Case(request.path, request.body, ()))
        assert told.status == 200
        assert CANARY.encode() in request.body
        assert len(request.places) > 100
    assert b"zyxquill" in watch(Case(requests()[0].path, requests()[0].body, ())).body


def test_hostile_requests_are_answered_or_refused(watch: Watch) -> None:
    fuzzed(watch, 250, begin=1)

    # Neither all refused nor all let be: the changes reach into the service.
    assert watch.told[200] > 50
    assert watch.told[400] > 50
    assert set(watch.told) <= {200, 204, 400, 404, 412, 413, 422}


@pytest.mark.parametrize(
    ("change", "made"),
    [
        (lambda tree: _put(tree, A, None), {"a": [None, 2], "b": {"c": "xy"}}),
        (lambda tree: _put(tree, ("q", 1), None), TREE),
        (lambda tree: _alike(tree, C, "z", 7), {"a": [1, 2], "b": {"c": "z"}}),
        (lambda tree: _alike(tree, A, "z", 7), {"a": [7, 2], "b": {"c": "xy"}}),
        (lambda tree: _drop(tree, A), {"a": [2], "b": {"c": "xy"}}),
        (lambda tree: _swap(tree, A, C), {"a": ["xy", 2], "b": {"c": 1}}),
        (lambda tree: _swap(tree, ("b",), C), TREE),
        (lambda tree: _copy(tree, C, A), {"a": [1, 2], "b": {"c": 1}}),
        (lambda tree: _repeat(tree, A, 2), {"a": [1, 2, 1, 1], "b": {"c": "xy"}}),
        (lambda tree: _rename(tree, C, "d"), {"a": [1, 2], "b": {"d": "xy"}}),
        (lambda tree: _add(tree, ("b",), "d", 5), {"a": [1, 2], "b": {"c": "xy", "d": 5}}),
        (lambda tree: _wrap(tree, C, 0), {"a": [1, 2], "b": {"c": ["xy"]}}),
        (lambda tree: _wrap(tree, ("b",), 3), {"a": [1, 2], "b": "xy"}),
        (lambda tree: _letters(tree, C, "-", 1), {"a": [1, 2], "b": {"c": "x-"}}),
        (lambda tree: _number(tree, A, 10, 1), {"a": [11, 2], "b": {"c": "xy"}}),
    ],
)
def test_each_change_does_what_it_says(change: Callable[[Any], None], made: Any) -> None:
    tree = copy.deepcopy(TREE)
    change(tree)
    assert tree == made


def outcome(**changes: Any) -> bytes:
    issue = {
        "severity": "error", "code": "value", "details": {"text": "What."}, "diagnostics": "Do.",
    }  # fmt: skip
    return orjson.dumps({"resourceType": "OperationOutcome", "issue": [issue | changes]})


GOOD = (
    Told(400, FHIR, outcome()),
    Told(422, FHIR, outcome(code="code-invalid", details={"text": f"no such code: mv-{CANARY}"})),
    Told(204, ENTRY, b""),
    Told(200, ENTRY, b'{"cards":[]}'),
    Told(200, ENTRY, b'{"resourceType":"Bundle","type":"document"}'),
)
BAD = (
    Told(500, FHIR, outcome()),
    Told(503, FHIR, outcome()),
    Told(400, {"content-type": "text/plain"}, outcome()),
    Told(400, FHIR | ENTRY, outcome()),
    Told(400, FHIR | {"location": f"/{CANARY}"}, outcome()),
    Told(400, FHIR, b'{"resourceType":"Bundle"}'),
    Told(400, FHIR, b'{"resourceType":"OperationOutcome","issue":[]}'),
    Told(400, FHIR, outcome(code="banana")),
    Told(400, FHIR, outcome(severity="information")),
    Told(400, FHIR, outcome(diagnostics="")),
    Told(400, FHIR, outcome(details={"text": f"no such code: mv-{CANARY}"})),
    Told(422, FHIR, outcome(code="code-invalid", details={"text": f"not Patient/{CANARY}"})),
    Told(400, FHIR, outcome(expression=[f"Patient.{CANARY.upper()}"])),
    Told(400, FHIR, outcome(diagnostics="Traceback (most recent call last)")),
    Told(204, {}, b""),
    Told(200, {}, b'{"cards":[]}'),
    Told(200, {}, b'{"resourceType":"Bundle","type":"document"}'),
    Told(200, ENTRY, b'{"resourceType":"Bundle","type":"searchset"}'),
    Told(200, {}, outcome()),
    Told(200, {}, orjson.dumps({
        "resourceType": "Bundle", "type": "batch-response",
        "entry": [{"response": {"status": "500", "outcome": orjson.loads(outcome())}}],
    })),
)  # fmt: skip


@pytest.mark.parametrize("told", GOOD)
def test_what_may_be_answered(told: Told) -> None:
    check(told)


@pytest.mark.parametrize("told", BAD)
def test_what_may_not_be_answered(told: Told) -> None:
    with pytest.raises((Wrong, ValueError)):
        check(told)


def stub(beside: Callable[[], object]) -> Watch:
    """An application that refuses everything, and does something beside it."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        beside()
        headers = [(name.encode(), value.encode()) for name, value in FHIR.items()]
        await send({"type": "http.response.start", "status": 400, "headers": headers})
        await send({"type": "http.response.body", "body": outcome()})

    return Watch(Asking(app, None))  # type: ignore[arg-type]


def test_a_line_of_the_log_or_of_the_output_that_names_somebody_is_found() -> None:
    log = logging.getLogger("cds_service.web")
    ask = Case("/", b"", ())
    assert stub(lambda: log.warning("nothing"))(ask).status == 400
    for beside in (
        lambda: log.warning("%s failed", CANARY),
        lambda: log.debug("failed", extra={"patient": CANARY.upper()}),
        lambda: logging.getLogger("uvicorn").error("x", exc_info=ValueError(CANARY)),
        lambda: print(CANARY, file=sys.stderr),
        lambda: print(CANARY),
    ):
        with pytest.raises(Wrong, match="names somebody"):
            stub(beside)(ask)


def test_a_request_that_takes_too_long_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def slow() -> None:
        until = asyncio.get_running_loop().time() + 0.05
        while asyncio.get_running_loop().time() < until:
            pass

    watch = stub(slow)
    watch(Case("/", b"", ()))
    assert 0 < watch.slowest < 2
    monkeypatch.setattr("tests.fuzz.watching.SECONDS", 0.001)
    with pytest.raises(Wrong, match="of the processor"):
        watch(Case("/", b"", ()))


def test_the_command_tells_what_it_did(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--cases", "20", "--seed", "5"]) == 0
    assert "20 cases in" in capsys.readouterr().out
