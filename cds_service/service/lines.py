"""One line of a file of requests to one line of answers; it never raises, nothing is recorded."""

import logging
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import orjson

from cds_service.audit.record import Entry
from cds_service.errors import Problem, RequestError
from cds_service.fhir.outcome import outcome
from cds_service.service.deciding import Decider

_log = logging.getLogger("cds_service.bulk")

REFUSED = "refused"
FAILED = "failed"

_BUNDLE = b'{"resourceType":"Bundle",'
_MARK = b'"meta":{"tag":[{"display":"Not recorded: for study, never for care"}]},'


class Said(NamedTuple):
    """What a line is answered with."""

    body: bytes
    """A Bundle or an OperationOutcome, without a line end."""
    status: str
    """That of the plan (GuidanceResponse.status), REFUSED or FAILED."""
    entry: Entry | None = None
    """What has to be recorded before the answer may leave."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Answers lines with one decider, all in the same way.

    `recorded`: whoever asks records each `entry` before its answer leaves. Otherwise the answers
    are marked as not recorded. `longest` is that of a line, in bytes.
    """

    decider: Decider
    recorded: bool
    longest: int
    strict: bool = False
    note: bool = False
    languages: Sequence[str] = ()

    def said(self, line: bytes, place: str) -> Said:
        """The answer to one line; `place` says in a refusal which line it was."""
        try:
            return self._answered(line)
        except RequestError as error:
            return Said(_refusal(error.problems, place, "error"), REFUSED)
        except Exception as error:  # noqa: BLE001 - one line must not cost the others theirs
            # The message of a fault may hold what was sent.
            at = traceback.extract_tb(error.__traceback__)[-1]
            _log.error("%s: %s at %s:%s", place, type(error).__name__, at.filename, at.lineno)
            return Said(_refusal([_FAULT], place, "fatal"), FAILED)

    def too_long(self, place: str) -> Said:
        """The answer to a line that is longer than `longest`."""
        what = f"The request is larger than {self.longest} bytes."
        problem = Problem("too-long", what, "Send only this infant's resources of this visit.")
        return Said(_refusal([problem], place, "error"), REFUSED)

    def _answered(self, line: bytes) -> Said:
        if self.recorded:
            entry, decision = self.decider.entry(
                line, strict=self.strict, languages=self.languages, note=self.note
            )
            return Said(entry.response, decision.plan.status, entry)
        body, decision, _ = self.decider.decide(
            line,
            strict=self.strict,
            languages=self.languages,
            now=self.decider.clock(),
            note=self.note,
        )
        return Said(marked(body), decision.plan.status)


def marked(answer: bytes) -> bytes:
    """The answer Bundle with a tag that says that it was not recorded (Resource.meta, R4).

    >>> marked(b'{"resourceType":"Bundle","id":"1"}')[25:49]
    b'"meta":{"tag":[{"display'
    """
    if not answer.startswith(_BUNDLE):
        raise ValueError("the answer is not a Bundle of ours")
    return b"".join((_BUNDLE, _MARK, memoryview(answer)[len(_BUNDLE) :]))


def _refusal(problems: Sequence[Problem], place: str, severity: str) -> bytes:
    told = [
        Problem(each.code, f"{place}: {each.what}", each.remedy, each.expression)
        for each in problems
    ]
    return orjson.dumps(outcome(told, severity=severity))


_FAULT = Problem(
    "exception",
    "The service failed and gives no recommendation.",
    "Use the paper chart and the national protocol.",
)
