"""prepare-log: the tables of a log in PostgreSQL, made by a role that the service need not be."""

import argparse
import asyncio
from typing import Any

from cds_service.audit.examine import opened
from cds_service.audit.sqlite_file import protect
from cds_service.cli.arguments import command, refuse
from cds_service.errors import LogAltered
from cds_service.settings import Settings
from cds_service.settings.auditor import AuditorSettings


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

    prepare.add_argument(
        "--triggers",
        action="store_true",
        help="SQLite: make the triggers again that protect the log, once it was verified",
    )


def _prepare(asked: argparse.Namespace) -> int:
    if asked.triggers:
        return _protect(AuditorSettings.read(log_key_file="-"))
    # The key that signs is not for the owner of the tables to have: only the address is read.
    settings = Settings.read(log_key_file="-")
    if not settings.in_postgresql:
        return refuse("CDS_DATABASE_URL is not the address of a PostgreSQL database.")
    from cds_service.audit.postgres_rights import prepare_for

    prepare_for(settings.database_url, asked.role, asked.auditor)
    print(f"{settings.log} is ready.")
    return 0


def _protect(settings: AuditorSettings) -> int:
    if settings.in_postgresql:
        return refuse("--triggers is for a log in SQLite.")
    size = asyncio.run(_verified(settings))
    made = protect(settings.database)
    print(f"{size} entries are in order; {made} triggers were made again.")
    return 0


async def _verified(settings: AuditorSettings) -> int:
    """How many entries there are, all of them in order; raises LogAltered, LogUnavailable."""
    log = settings.reading()
    try:
        await log.need_payloads()
        note = await log.checkpoint()
        found = await log.verify([opened(note, None)] if note else [])
    finally:
        await log.close()
    if found.finding is not None:
        raise LogAltered(found.finding.position, found.finding.what)
    return found.size
