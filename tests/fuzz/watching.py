"""Whether an answer may be as it is, and whether anything personal came out beside it."""

import io
import json
import logging
import re
import time
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from typing import Any
from zlib import crc32

from fhir.resources.R4B.operationoutcome import OperationOutcome

from tests.fhir.judge import judged
from tests.fuzz.mutating import Case
from tests.fuzz.planted import CANARY
from tests.security.asking import Asking, Told

SECONDS = 2.0
"""Of the processor, for one request."""
JUDGED = 16
"""One of so many answers is judged as a whole, which takes longer than to make it."""
_FHIR = "application/fhir+json; charset=utf-8"
_REFUSED = (400, 404, 406, 410, 412, 413, 415, 422)
# http://hl7.org/fhir/R4/valueset-issue-type.html (from memory)
ISSUE_TYPES = frozenset({
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown",
    "expired", "forbidden", "suppressed", "processing", "not-supported", "duplicate",
    "multiple-matches", "not-found", "deleted", "too-long", "code-invalid", "extension",
    "too-costly", "business-rule", "conflict", "transient", "lock-error", "no-store", "exception",
    "timeout", "incomplete", "throttled", "informational",
})  # fmt: skip


class Wrong(AssertionError):
    """An answer, or something beside it, that may not be."""


class Lines(logging.Handler):
    """Everything that any part of the service logs, with the faults in it."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.text = io.StringIO()
        self.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))

    def emit(self, record: logging.LogRecord) -> None:
        self.text.write(f"{self.format(record)} {sorted(map(repr, record.__dict__.items()))}\n")


class Watch:
    """Asks one application, and looks at what comes."""

    def __init__(self, asking: Asking) -> None:
        self._asking = asking
        self.told: Counter[int] = Counter()
        self.slowest = 0.0

    def __call__(self, case: Case) -> Told:
        """Ask; raises Wrong."""
        lines, printed = Lines(), io.StringIO()
        root = logging.getLogger()
        level, kept = root.level, root.handlers[:]
        root.handlers[:] = [lines]
        root.setLevel(logging.DEBUG)
        began = time.process_time()
        try:
            with redirect_stderr(printed), redirect_stdout(printed):
                told = self._asking(
                    "POST", case.path, (b"content-type", b"application/json"), *case.headers,
                    content=case.body,
                )  # fmt: skip
        finally:
            root.handlers[:] = kept
            root.setLevel(level)
        spent = time.process_time() - began
        self.told[told.status] += 1
        self.slowest = max(self.slowest, spent)
        _must(spent < SECONDS, f"it took {spent:.1f} s of the processor")
        _must(not named(lines.text.getvalue()), "a line of the log names somebody")
        _must(not named(printed.getvalue()), "the output names somebody")
        try:
            check(told)
        except Wrong as wrong:
            said = [line for line in lines.text.getvalue().splitlines() if "cds_service" in line]
            wrong.add_note(f"The service logged: {said}"[:1_000])
            raise
        return told

    def measurements(self) -> None:
        """Raise Wrong when a measurement names somebody."""
        told = self._asking("GET", "/metrics")
        _must(told.status == 200 and b"cds_requests_total" in told.body, "no measurements")
        _must(not named(told.body.decode()), "a measurement names somebody")


def named(text: str) -> bool:
    """Whether somebody is named in a text."""
    return CANARY in text.lower()


def check(told: Told) -> None:
    """Raise Wrong unless an answer may be as it is."""
    headers = {name: value for name, value in told.headers.items() if name != "cds-log-checkpoint"}
    _must(not named(json.dumps(headers)), "a header names somebody")
    if told.status in (200, 204):
        _answered(told)
        return
    _must(told.status in _REFUSED, f"{told.status} was answered")
    _refused(told)


def _answered(told: Told) -> None:
    if told.status == 204:
        _must(told.body == b"" and "cds-log-index" in told.headers, "204 without an entry")
        return
    answer = told.json()
    if "cards" in answer:
        _must("cds-log-index" in told.headers, "cards without an entry")
    elif answer["resourceType"] == "OperationOutcome":
        _must("preference-applied" in told.headers, "an outcome that nobody asked for")
    elif answer["type"] == "batch-response":
        _each(answer)
    else:
        _must("cds-log-index" in told.headers, "an answer without an entry")
        _must(answer["type"] in ("collection", "document"), "another Bundle than is due")
        if answer["type"] == "collection" and crc32(told.body) % JUDGED == 0:
            judged(told.body)


def _each(answer: Any) -> None:
    """Each entry of a batch is answered or refused like a request of its own."""
    for entry in answer.get("entry", ()):  # FHIR has no empty list
        response = entry["response"]
        status = int(response["status"][:3])
        _must(status in (200, 204, 304, 405, *_REFUSED), f"an entry of a batch was {status}")
        if status >= 400:
            _outcome(json.dumps(response["outcome"]))


def _refused(told: Told) -> None:
    _must(told.headers.get("content-type") == _FHIR, "a refusal of another type than FHIR's")
    _must("cds-log-index" not in told.headers, "a refusal was recorded")
    _outcome(told.body.decode())


def _outcome(text: str) -> None:
    """An OperationOutcome that says what is wrong and what to do, and names nobody."""
    _must("Traceback" not in text, "a refusal shows a fault")
    outcome = OperationOutcome.model_validate_json(text)
    _must(bool(outcome.issue), "a refusal without an issue")
    for issue in outcome.issue:
        _must(not named(_but_codes(issue.model_dump_json())), "a refusal names somebody")
        _must(
            issue.code in ISSUE_TYPES and issue.severity in ("error", "fatal"), "codes of an issue"
        )
        _must(bool(issue.details.text and issue.diagnostics), "it is not said what to do")


def _but_codes(text: str) -> str:
    """The text of an issue without the code that it is about.

    A code or parameter that is not known is told, so that its sender finds it, if it looks like a
    code (`read_body.printable`): also when somebody sends the id of an infant in place of a code.
    """
    issue = json.loads(text)
    if issue["code"] in ("code-invalid", "not-supported"):
        issue["details"]["text"] = re.sub(
            r"(?<![\w/])[\w.-]{1,64}(?![\w/])", "", issue["details"]["text"]
        )
    return json.dumps(issue)


def _must(holds: bool, what: str) -> None:
    if not holds:
        raise Wrong(what)
