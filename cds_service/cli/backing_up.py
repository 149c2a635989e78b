"""backup: a copy of the log in SQLite, while the service goes on."""

import argparse
from pathlib import Path
from typing import Any

from cds_service.audit.sqlite_backup import back_up
from cds_service.cli.arguments import command, refuse
from cds_service.settings.auditor import AuditorSettings


def add(commands: Any) -> None:
    """Declare the command."""
    backup = command(
        commands, "backup", _back_up, "copy the log (SQLite) to a new file, while it is in use"
    )
    backup.add_argument("file", type=Path, metavar="FILE", help="the new file; it must not exist")


def _back_up(asked: argparse.Namespace) -> int:
    settings = AuditorSettings.read()
    if settings.in_postgresql:
        return refuse("The log is in PostgreSQL: back up its database with PostgreSQL's own tools.")
    found = back_up(settings.database, asked.file)
    print(
        f"Entries in {asked.file}: {found.size}; their tree is whole. It holds health data. "
        "Keep the keys apart from it."
    )
    return 0
