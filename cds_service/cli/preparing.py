"""prepare-log: the tables of a log in PostgreSQL, made by a role that the service need not be."""

import argparse
from typing import Any

from cds_service.cli.arguments import command, refuse
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the command."""
    prepare = command(
        commands, "prepare-log", _prepare, "make the log's tables in PostgreSQL, as their owner"
    )
    prepare.add_argument(
        "--for",
        dest="role",
        metavar="ROLE",
        help="the role of the service: it gets what it needs, and no right to change anything",
    )
    prepare.add_argument(
        "--auditor", metavar="ROLE", help="a role that looks at the log: it may read, nothing else"
    )


def _prepare(asked: argparse.Namespace) -> int:
    # The key that signs is not for the owner of the tables to have: only the address is read.
    settings = Settings.read(log_key_file="-")
    if not settings.in_postgresql:
        return refuse("CDS_DATABASE_URL is not the address of a PostgreSQL database.")
    from cds_service.audit.postgres_rights import prepare_for

    prepare_for(settings.database_url, asked.role, asked.auditor)
    print(f"{settings.log} is ready.")
    return 0
