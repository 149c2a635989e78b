"""erase, log-key: what whoever keeps the log does to it."""

import argparse
import asyncio
from pathlib import Path
from typing import Any

from cds_service.audit.keys import load_signer, make_key
from cds_service.cli.arguments import command
from cds_service.cli.sources import opened
from cds_service.errors import CdsError
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the commands."""
    erase = command(
        commands, "erase", _erase, "destroy request and answer of entries; every proof stays"
    )
    what = erase.add_mutually_exclusive_group(required=True)
    what.add_argument("--entry", type=int, metavar="N", help="the entry at this index")
    what.add_argument(
        "--retention",
        action="store_true",
        help="every recommendation and feedback older than CDS_RETENTION_DAYS",
    )
    erase.add_argument(
        "--reason",
        metavar="TEXT",
        help="why; with --entry, kept in the log for ever: name no infant in it",
    )

    keys = command(
        commands, "log-key", _log_key, "print the keys that verify the log, or make a new one"
    )
    new = keys.add_mutually_exclusive_group()
    new.add_argument("--make", type=Path, metavar="FILE", help="make a key in a new file")
    new.add_argument(
        "--rotate", action="store_true", help="make the next key beside those in use, and say how"
    )


def _need_log(settings: Settings) -> None:
    """Raise CdsError when there is none: in a shell without the settings of the service the log
    meant is another one, and a new one beside it would say that there is nothing to erase."""
    if not settings.in_postgresql and not settings.database.exists():
        raise CdsError(
            f"there is no audit log {settings.database}: are the settings those of the service?"
        )


def _erase(asked: argparse.Namespace) -> int:
    settings = Settings.read()
    _need_log(settings)
    if asked.retention:
        if not settings.retention_days:
            raise CdsError("CDS_RETENTION_DAYS is 0: everything is kept")
        count = asyncio.run(_erase_old(settings))
        print(f"{count} entries older than {settings.retention_days} days were erased.")
        return 0
    if not asked.reason or not asked.reason.strip():
        raise CdsError("say why with --reason: it is kept in the log, so name no infant in it")
    index = asyncio.run(_erase_one(settings, asked.entry, asked.reason.strip()))
    print(f"Entry {asked.entry} was erased; entry {index} says so.")
    return 0


async def _erase_old(settings: Settings) -> int:
    async with opened(settings) as service:
        return await service.erase_old(settings.retention_days)


async def _erase_one(settings: Settings, entry: int, reason: str) -> int:
    async with opened(settings) as service:
        receipt = await service.erase(entry, reason)
    if receipt is None:
        what = "there is no such entry, it was erased before, or it is itself an erasure"
        raise CdsError(f"nothing was erased: {what}")
    return receipt.index


def _log_key(asked: argparse.Namespace) -> int:
    if asked.make is not None:
        settings = Settings.read(log_key_file=str(asked.make))  # there may be none so far
        make_key(asked.make)
        print(load_signer(settings.origin, [asked.make]).verifier_keys[0])
        return 0
    settings = Settings.read()
    if asked.rotate:
        return _rotate(settings)
    if not settings.log_key_file:
        _need_log(settings)
    for key in settings.signer().verifier_keys:
        print(key)
    return 0


def _rotate(settings: Settings) -> int:
    used = settings.key_files
    load_signer(settings.origin, used)  # never a second key beside one that cannot be used
    number = len(used) + 1
    while (path := used[0].with_name(f"{used[0].name}.{number}")).exists():
        number += 1
    make_key(path)
    both = ",".join(map(str, [*used, path]))
    print(load_signer(settings.origin, [path]).verifier_keys[0])
    print(f"1. Restart with CDS_LOG_KEY_FILE={both}: all of these keys sign.")
    print("2. Give the key above to everybody who verifies the log.")
    print(f"3. When they have it, restart with CDS_LOG_KEY_FILE={path}; keep the old key for ever.")
    return 0
