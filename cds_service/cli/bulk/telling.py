"""What is said of a bulk on standard error: how far it came, what became of the lines."""

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic

from cds_service.cli.bulk.area import Reply
from cds_service.cli.bulk.recording import Recording
from cds_service.service.lines import FAILED, REFUSED

_UNRECORDED = "Not recorded in the log: these answers are for study, never for care."
_STATUSES = {
    "success": "complete",
    "data-requested": "complete, and more is asked for",
    "data-required": "held back in part until what is missing comes",
}
"""GuidanceResponse.status in words."""


class Told:
    """Counts, and says it at the end, whatever the end is."""

    def __init__(self, output: Path | None) -> None:
        self._output = output
        self._began = monotonic()
        self._tally = Counter[str]()
        self._part = 0

    def add(self, reply: Reply) -> None:
        """Count lines whose answers have been written."""
        self._tally.update(reply.tally)

    def add_part(self, lines: int) -> None:
        """Count the first lines of a reply of which not all could be written."""
        self._part = lines

    @property
    def refused(self) -> int:
        """Lines that are answered with an OperationOutcome."""
        return self._tally[REFUSED] + self._tally[FAILED]

    @contextmanager
    def whatever_happens(self, recording: Recording | None) -> Iterator[None]:
        """When it ends before its time, say how far it came; the reason is said by others."""
        try:
            yield
        except BaseException:
            lines = self._tally.total() + self._part
            what = f"the first {lines} lines have their answers; do not use what stands behind them"
            _say(f"Stopped: {f'{self._output} was not made' if self._output else what}.")
            if recording is not None:
                _say(f"{_recorded(recording)} Perhaps a few more were on their way into it.")
            raise

    def summary(self, recording: Recording | None) -> None:
        """Say what became of all lines."""
        lines, seconds = self._tally.total(), monotonic() - self._began
        rate = f"{lines / seconds:,.0f} a second"
        answered = lines - self.refused
        _say(f"{lines} cases in {seconds:.1f} s ({rate}): {answered} answered, {_not(self._tally)}")
        for status, words in _STATUSES.items():
            if self._tally[status]:
                _say(f"  {self._tally[status]} {words} ({status})")
        _say(_UNRECORDED if recording is None else _recorded(recording))


def _not(tally: Counter[str]) -> str:
    failed = f", {tally[FAILED]} failed" if tally[FAILED] else ""
    return f"{tally[REFUSED]} refused{failed}."


def _recorded(recording: Recording) -> str:
    if not recording.count:
        return f"Nothing was recorded in {recording.log}."
    first, last = recording.indices[0], recording.indices[-1]
    return f"Recorded {recording.count} in {recording.log}, entries {first} to {last}."


def _say(line: str) -> None:
    print(line, file=sys.stderr)
