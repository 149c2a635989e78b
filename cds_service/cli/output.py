"""What the service writes: lines for people, or for a collector one JSON object a line.

For a collector that holds from the first line to the last: of the start, of why there was none, of
warnings of Python itself and of faults that nobody foresaw.
"""

import logging
import sys
import threading
from collections.abc import Sequence
from typing import TextIO

import structlog
from structlog.typing import Processor

_TEXT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_JSON = "json"
_SERVE = "cds_service.serve"
"""The logger of what is said of the process itself."""
_FIELDS = ("request_id", "trace_id", "version", "address", "protocol", "log", "findings")
"""What a line may have beside its words: no other attribute of a record is ever written."""


def write_lines(form: str) -> None:
    """Set up the one handler of the process; `form` is "text" or "json".

    Warnings and worse only. No line names an infant: whoever logs sees to that.
    """
    handler = _ToStandardError(logging.WARNING)
    handler.setFormatter(_json() if form == _JSON else logging.Formatter(_TEXT))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    if form == _JSON:
        # Python would write each of these as lines of text, and a traceback as many.
        logging.captureWarnings(capture=True)
        sys.excepthook = lambda _, fault, __: _failed(fault)
        threading.excepthook = lambda ended: _failed(ended.exc_value)
        sys.unraisablehook = lambda passed: _failed(passed.exc_value)


def said(form: str, what: str, level: int = logging.INFO, **fields: str | Sequence[str]) -> str:
    """A line about the process itself: the words, or in JSON these with the `fields`."""
    if form != _JSON:
        return what
    named = {"name": _SERVE, "levelno": level, "levelname": logging.getLevelName(level)}
    return _json().format(logging.makeLogRecord({**named, "msg": what, **fields}))


def refuse_to_start(what: str, *findings: str, code: int = 1) -> int:
    """Tell a collector on standard error why the service does not start; the exit code.

    One line for one refusal, so that it is counted once, however many findings there are.
    """
    listed = {"findings": findings} if findings else {}
    line = said(_JSON, f"{what} {'; '.join(findings)}".rstrip(), logging.CRITICAL, **listed)
    print(line, file=sys.stderr)
    return code


def _failed(fault: BaseException | None) -> None:
    if not isinstance(fault, SystemExit):  # which ends a thread, and is no fault
        logging.getLogger(_SERVE).critical("a fault that nobody foresaw", exc_info=fault)


class _ToStandardError(logging.StreamHandler[TextIO]):
    """Writes to what standard error is at that moment, as logging's own last resort does."""

    def __init__(self, level: int) -> None:
        logging.Handler.__init__(self, level)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stderr


def _json() -> logging.Formatter:
    # The values of a fault's variables are never written: they are what a caller sent.
    faults = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    first: list[Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.ExtraAdder(_FIELDS),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.ExceptionRenderer(faults),
    ]
    last: list[Processor] = [
        structlog.stdlib.ProcessorFormatter.remove_processors_meta,
        structlog.processors.EventRenamer("message"),
        structlog.processors.JSONRenderer(sort_keys=True),
    ]
    return structlog.stdlib.ProcessorFormatter(foreign_pre_chain=first, processors=last)
