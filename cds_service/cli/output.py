"""What the service writes to standard error: lines for people, or JSON for a collector."""

import logging
import sys
from typing import TextIO

import structlog
from structlog.typing import Processor

_TEXT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


def write_lines(form: str) -> None:
    """Set up the one handler of the process; `form` is "text" or "json".

    Warnings and worse only. No line names an infant: whoever logs sees to that.
    """
    handler = _ToStandardError(logging.WARNING)
    handler.setFormatter(_json() if form == "json" else logging.Formatter(_TEXT))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)


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
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.ExceptionRenderer(faults),
    ]
    last: list[Processor] = [
        structlog.stdlib.ProcessorFormatter.remove_processors_meta,
        structlog.processors.EventRenamer("message"),
        structlog.processors.JSONRenderer(sort_keys=True),
    ]
    return structlog.stdlib.ProcessorFormatter(foreign_pre_chain=first, processors=last)
