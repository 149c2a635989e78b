"""The command line, one file for each group of commands.

Exit codes: 0 done; 1 refused, failed or findings (the reason is on stderr); 2 wrong usage, and of
replay, verify-log and selftest that the question could not be answered; 3 of verify-log and export
that nothing wrong was found but not everything could be checked, and of recommend --ndjson that
every line has its answer but some are refusals;
as usual in a shell, 130 interrupted and 141 when whoever reads the output has gone away.
"""

import argparse
import os
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr
from io import StringIO

from cds_service import __version__
from cds_service.cli import (
    backing_up,
    content,
    exporting,
    keeping,
    labelling,
    preparing,
    recommending,
    replaying,
    selftest,
    serving,
    showing,
    verifying,
)
from cds_service.cli.arguments import PROPOSAL, in_words, refuse
from cds_service.cli.output import refuse_to_start
from cds_service.errors import (
    CdsError,
    ContentError,
    NotReady,
    Problem,
    RequestError,
    SettingsError,
)
from cds_service.settings import is_for_collector

_GROUPS = (
    serving,
    recommending,
    showing,
    labelling,
    preparing,
    content,
    replaying,
    verifying,
    exporting,
    backing_up,
    keeping,
    selftest,
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; faults are told in words, never as a traceback."""
    words = sys.argv[1:] if arguments is None else arguments
    # Whoever serves for a collector is read by no person; the other commands speak to people.
    collected = "serve" in words[:1] and is_for_collector()
    no = refuse_to_start if collected else refuse
    asked = _asked_in_json(words) if collected else _parser().parse_args(words)
    run: Callable[[argparse.Namespace], int] = asked.run
    try:
        code = run(asked)
        sys.stdout.flush()  # here, so that a reader who has gone away is noticed here
    except BrokenPipeError:
        # What is still unsent would be tried again at the end, and complained about.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 128 + signal.SIGPIPE
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except (ContentError, NotReady, SettingsError) as error:
        return no(f"{_LISTS[type(error)]}:", *error.findings)
    except RequestError as error:
        return no("No recommendation can be made:", *map(_told, error.problems))
    except CdsError as error:
        return no(str(error))
    except OSError as error:
        return no(in_words(error))
    return code


_LISTS = {
    ContentError: "The content has findings",
    NotReady: "The service is not fit to answer and does not start",
    SettingsError: "The settings are wrong",
}


def _asked_in_json(words: Sequence[str]) -> argparse.Namespace:
    """What is asked; of wrong usage the one line that says what is wrong with it."""
    with redirect_stderr(StringIO()) as told:
        try:
            return _parser().parse_args(words)
        except SystemExit as end:
            lines = told.getvalue().splitlines()
            code = end.code
    raise SystemExit(refuse_to_start(lines[-1], code=2) if code else 0)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="cds-service",
        description=f"FHIR R4 decision support for the sick young infant (0-59 days). {PROPOSAL}",
        epilog="Settings are environment variables with the prefix CDS_; README.md lists them.",
    )
    parser.add_argument("--version", action="version", version=f"cds-service {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for group in _GROUPS:
        group.add(commands)
    return parser


def _told(problem: Problem) -> str:
    place = f"{problem.expression}: " if problem.expression else ""
    return f"{place}{problem.what} {problem.remedy}"
