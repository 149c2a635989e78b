"""W3C Trace Context beside the request id.

The cases, and what is due in each, are those of the test suite of the Recommendation:
github.com/w3c/trace-context, test/test.py at 00a91ac (read; written anew for a service that has
nobody to call, so its answer and its log are looked at instead).
"""

import logging
import re
from collections.abc import Iterable
from typing import Any

import httpx
import pytest

from cds_service.service import Service
from cds_service.web.app import make_app

from .batches import PLAN, batch
from .conftest import JSON, Call, call_app
from .sample import PATH, body

TRACE, SPAN = "12345678901234567890123456789012", "1234567890123456"
PARENT = f"00-{TRACE}-{SPAN}-01"
FORM = re.compile(r"00-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})")
LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789_-*/"
VALUE = "".join(chr(code) for code in range(0x20, 0x7F) if chr(code) not in ",=")
NUMBERED = [f"bar{n:02}={n:02}" for n in range(1, 34)]

Pairs = list[tuple[str, str]]


def ask(call: Call, headers: Pairs, path: str = "/fhir/metadata") -> httpx.Response:
    return call("GET", path, headers=httpx.Headers(headers))


def traced(answer: httpx.Response) -> tuple[str, str, str]:
    """Trace id, the id of our part of it, and flags; well-formed and once."""
    (parent,) = answer.headers.get_list("traceparent")
    found = FORM.fullmatch(parent)
    assert found, parent
    assert int(found[1], 16)
    assert int(found[2], 16)
    return found[1], found[2], found[3]


@pytest.mark.parametrize(
    "parent",
    [
        PARENT,
        f"cc-{TRACE}-{SPAN}-01",
        f"cc-{TRACE}-{SPAN}-01-what-the-future-will-be-like",
    ],
)
@pytest.mark.parametrize("name", ["traceparent", "TraceParent", "TRACEPARENT"])
def test_a_trace_goes_on(call: Call, name: str, parent: str) -> None:
    trace, span, _ = traced(ask(call, [(name, parent)]))

    assert trace == TRACE
    assert span != SPAN


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [("traceparent", PARENT), ("traceparent", PARENT)],
        [("trace-parent", PARENT)],
        [("trace.parent", PARENT)],
        *([("traceparent", parent)] for parent in (
            f"00-{TRACE}-{SPAN}-01.",
            f"00-{TRACE}-{SPAN}-01-what-the-future-will-be-like",
            f"cc-{TRACE}-{SPAN}-01.what-the-future-will-be-like",
            f"ff-{TRACE}-{SPAN}-01",
            f".0-{TRACE}-{SPAN}-01",
            f"0.-{TRACE}-{SPAN}-01",
            f"000-{TRACE}-{SPAN}-01",
            f"0000-{TRACE}-{SPAN}-01",
            f"0-{TRACE}-{SPAN}-01",
            f"00-{'0' * 32}-{SPAN}-01",
            f"00-.{TRACE[1:]}-{SPAN}-01",
            f"00-{TRACE[:-1]}.-{SPAN}-01",
            f"00-{TRACE}3-{SPAN}-01",
            f"00-{TRACE[:-1]}-{SPAN}-01",
            f"00-{TRACE}-{'0' * 16}-01",
            f"00-{TRACE}-.{SPAN[1:]}-01",
            f"00-{TRACE}-{SPAN}7-01",
            f"00-{TRACE}-{SPAN[:-1]}-01",
            f"00-{TRACE}-{SPAN}-.0",
            f"00-{TRACE}-{SPAN}-0.",
            f"00-{TRACE}-{SPAN}-001",
            f"00-{TRACE}-{SPAN}-1",
            PARENT.upper().replace("1", "A"),
            f"00-{TRACE}-{SPAN}-01\u00e9",
            "",
        )),
    ],
    ids=str,
)  # fmt: skip
def test_a_new_trace_is_begun_where_there_is_none_that_can_go_on(
    call: Call, headers: Pairs
) -> None:
    sent: Any = [(name, value.encode("latin-1")) for name, value in headers]
    answer = ask(call, [*sent, ("tracestate", "foo=1")])

    trace, _, flags = traced(answer)
    assert trace not in (TRACE, "0" * 32)
    assert flags == "00"
    assert "tracestate" not in answer.headers  # it belongs to the trace that is not gone on with
    assert traced(ask(call, headers if not sent else []))[0] != trace


@pytest.mark.parametrize(("sent", "kept"), [("00", "00"), ("01", "01"), ("03", "03"), ("ff", "03")])
def test_flags_that_are_not_known_are_not_handed_on(call: Call, sent: str, kept: str) -> None:
    assert traced(ask(call, [("traceparent", f"00-{TRACE}-{SPAN}-{sent}")]))[2] == kept


def state(call: Call, values: Iterable[str]) -> str | None:
    answer = ask(call, [("traceparent", PARENT), *(("tracestate", each) for each in values)])
    assert traced(answer)[0] == TRACE  # whatever becomes of the state
    return answer.headers.get("tracestate")


@pytest.mark.parametrize(
    ("values", "kept"),
    [
        (["foo=1,bar=2"], "foo=1,bar=2"),
        (["foo=1", ""], "foo=1"),
        (["", "foo=1"], "foo=1"),
        (["foo=1,bar=2", "rojo=1,congo=2", "baz=3"], "foo=1,bar=2,rojo=1,congo=2,baz=3"),
        ([f"{LETTERS}={VALUE}"], f"{LETTERS}={VALUE}"),
        ([f"{LETTERS}@a-z0-9_-*/={VALUE}"], f"{LETTERS}@a-z0-9_-*/={VALUE}"),
        (["foo=1 \t , \t bar=2, \t baz=3"], "foo=1,bar=2,baz=3"),
        (["foo=1\t \t,\t \tbar=2,\t \tbaz=3"], "foo=1,bar=2,baz=3"),
        ([" foo=1"], "foo=1"),
        (["\tfoo=1"], "foo=1"),
        (["\t foo=1 \t"], "foo=1"),
        ([",".join(NUMBERED[:32])], ",".join(NUMBERED[:32])),
        (["foo=1", "z" * 256 + "=1"], f"foo=1,{'z' * 256}=1"),
        (["foo=1", f"{'t' * 241}@{'v' * 14}=1"], f"foo=1,{'t' * 241}@{'v' * 14}=1"),
    ],
)
def test_the_state_of_the_vendors_is_handed_back(call: Call, values: list[str], kept: str) -> None:
    assert state(call, values) == kept


@pytest.mark.parametrize(
    "values",
    [
        [""],
        ["foo=1,foo=1"],
        ["foo=1,foo=2"],
        ["foo=1", "foo=2"],
        ["foo =1"],
        ["FOO=1"],
        ["foo.bar=1"],
        ["foo@=1,bar=2"],
        ["@foo=1,bar=2"],
        ["foo@@bar=1,bar=2"],
        ["foo@bar@baz=1,bar=2"],
        NUMBERED,
        ["foo=1", "z" * 257 + "=1"],
        ["foo=1", f"{'t' * 242}@v=1"],
        ["foo=1", f"t@{'v' * 15}=1"],
        ["foo=bar=baz"],
        ["foo"],
        ["foo=1;2\u00e9"],
        [f"foo={'1' * 256}"],
        [f"foo={'1' * 250},bar={'1' * 254}"],  # ours: more than 512 letters are not repeated
    ],
    ids=str,
)
def test_a_state_that_is_malformed_is_left_out_whole(call: Call, values: list[str]) -> None:
    encoded: Any = [each.encode("latin-1") for each in values]
    assert state(call, encoded) is None


def test_every_answer_has_both_ids(call: Call) -> None:
    sent = {"traceparent": PARENT, "tracestate": "foo=1", "x-request-id": "tolm-ford-1"}
    asked = [
        call("POST", PATH, content=body(), headers=JSON | sent),
        call("POST", PATH, content=b"{", headers=JSON | sent),
        call("POST", "/fhir", content=batch(PLAN), headers=JSON | sent),
        *(call("GET", path, headers=sent) for path in (
            "/fhir/metadata", "/fhir/CodeSystem/finding?_pretty=true", "/fhir/Nothing",
            "/health/live", "/log/checkpoint", "/cds-services",
        )),
    ]  # fmt: skip
    spans = set()
    for answer in asked:
        trace, span, _ = traced(answer)
        assert (trace, answer.headers["tracestate"]) == (TRACE, "foo=1")
        assert answer.headers.get_list("x-request-id") == ["tolm-ford-1"]
        spans.add(span)
    assert len(spans) == len(asked)


def test_without_a_request_id_it_is_the_trace_id(call: Call) -> None:
    answer = ask(call, [])

    assert answer.headers["x-request-id"] == traced(answer)[0]
    assert ask(call, [("traceparent", PARENT)]).headers["x-request-id"] == TRACE


@pytest.mark.parametrize("batched", [False, True])
def test_a_fault_is_logged_with_the_trace_and_without_the_state(
    service: Service,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    batched: bool,
) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("cds_service.service.deciding.decide", fail)
    sent = JSON | {"traceparent": PARENT, "tracestate": "foo=marker", "x-request-id": "ford-2"}
    path, content = ("/fhir", batch(PLAN)) if batched else (PATH, body())
    with caplog.at_level(logging.ERROR):
        call_app(make_app(service), "POST", path, content=content, headers=sent)

    (record,) = caplog.records
    assert f"request ford-2, trace {TRACE} failed" in record.getMessage()
    assert (vars(record)["request_id"], vars(record)["trace_id"]) == ("ford-2", TRACE)
    assert "marker" not in caplog.text
