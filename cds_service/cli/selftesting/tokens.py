"""The token of a call: from a file, or from a command that signs one for each address."""

import re
import shlex
import subprocess
from collections.abc import Callable
from pathlib import Path

from cds_service.cli.selftesting.deployment import Unreachable

_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*", re.ASCII)
"""RFC 6750, 2.1."""
_PATIENCE = 30
"""Seconds for the command."""


def from_file(path: Path) -> Callable[[str], str]:
    """The token in a file, for every address; read anew each time, since it may be renewed."""

    def token(_: str) -> str:
        try:
            return _checked(path.read_text(encoding="ascii"), str(path))
        except (OSError, UnicodeError) as error:
            raise Unreachable(f"no token: {path} cannot be read ({type(error).__name__})") from None

    return token


def from_command(command: str) -> Callable[[str], str]:
    """What a command prints when it is called with the address as its last argument.

    It is started without a shell. Raises ValueError when there is no command in the text.
    """
    words = shlex.split(command)
    if not words:
        raise ValueError("an empty command")

    def token(address: str) -> str:
        try:
            made = subprocess.run(  # noqa: S603 - the very command that whoever tests has given
                [*words, address], capture_output=True, text=True, timeout=_PATIENCE, check=True
            )
        except (OSError, ValueError, subprocess.SubprocessError) as error:
            said = f"no token: {words[0]} failed ({type(error).__name__})"
            raise Unreachable(said) from None
        return _checked(made.stdout, words[0])

    return token


def _checked(text: str, where: str) -> str:
    found = text.strip()
    if not _TOKEN.fullmatch(found):
        raise Unreachable(f"no token: {where} gives something else")
    return found
