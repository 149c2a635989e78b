"""What the commands have in common: how one is declared, how one is refused."""

import argparse
import sys
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any

CANNOT = 2
"""Exit code of the auditor's commands when the question could not be answered at all."""
PARTLY = 3
"""Exit code of the auditor's commands: nothing wrong was found, but not all could be checked."""
UNVERIFIED = (
    "Signatures were not checked: give the key that verifies the log, as log-key prints it, with "
    "--key or in CDS_LOG_VERIFIER."
)
PROPOSAL = "Every plan is a proposal for a licensed health worker; national protocol comes first."


def command(
    commands: Any, name: str, run: Callable[[argparse.Namespace], int], about: str
) -> argparse.ArgumentParser:
    """Declare one command; `run` does it and returns the exit code."""
    made: argparse.ArgumentParser = commands.add_parser(
        name, help=about, description=f"{about[0].upper()}{about[1:]}."
    )
    made.set_defaults(run=run)
    return made


def moment(text: str) -> datetime:
    """An ISO 8601 time with offset; argparse turns the error into a usage message."""
    wanted = "needs date, time and offset, for example 2026-05-01T09:30:00+02:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(wanted) from None
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError(wanted)
    return moment


def day_or_moment(text: str) -> datetime:
    """A date (its beginning on this machine's calendar), or an ISO 8601 time with offset."""
    try:
        return datetime.combine(date.fromisoformat(text), time()).astimezone()
    except ValueError:
        return moment(text)


def refuse(*lines: str, code: int = 1) -> int:
    """Tell on standard error why a command was not done; the exit code."""
    for line in lines:
        print(line, file=sys.stderr)
    return code


def in_words(error: OSError) -> str:
    """Which file, and what about it."""
    about = {
        FileNotFoundError: "there is no such file",
        IsADirectoryError: "is a folder, and a file is needed",
        NotADirectoryError: "is a file, and a folder is needed",
        FileExistsError: "is a file, and a folder is needed",
        PermissionError: "this user is not permitted to open it",
    }.get(type(error), error.strerror or "cannot be used")
    return f"{error.filename}: {about}" if error.filename else about
