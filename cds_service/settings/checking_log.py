"""Whether a start would get its keys and its log: the part of `checking` that is about the log."""

import asyncio
import os
from collections.abc import Awaitable, Callable, Iterator, Sequence
from pathlib import Path

from cds_service.audit import sqlite_state
from cds_service.audit.keys import load_signer
from cds_service.audit.note import Signer
from cds_service.audit.read_only import ReadOnly
from cds_service.audit.seal import Plain, Sealer, load_sealer
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.state import State
from cds_service.errors import LogProofError, LogUnavailable, SettingsError
from cds_service.service.starting import signed_as_stored
from cds_service.settings import Settings
from cds_service.settings.auditor import opened
from cds_service.settings.part import Part, not_looked_at
from cds_service.settings.values import paths

_SIGNS = {"database_url", "log_key_file", "log_name", "base"}


def log_parts(settings: Settings, unsure: set[str]) -> Iterator[Part]:
    """The keys and the log; `unsure` are the settings that are wrong, and stand at a default."""
    lost = "database_url" in unsure
    state = State(0, False, "") if lost else _state(settings)
    signer: Signer | None = None
    if wrong := _SIGNS & unsure:
        yield not_looked_at("signing key", wrong)
    else:
        signer, part = _signing(settings, state)
        yield part
    sealer, part = _sealing(settings)
    yield part
    if lost:
        yield not_looked_at("log", {"database_url"})
    else:
        yield _log(settings, state, signer, sealer)


def _state(settings: Settings) -> State:
    if settings.in_postgresql:
        from cds_service.audit import postgres_state

        return postgres_state.state_of(settings.database_url)
    return sqlite_state.state_of(settings.database)


def _signing(settings: Settings, state: State) -> tuple[Signer | None, Part]:
    """See `Settings.signer`, which makes the key of a new log."""
    files = settings.key_files
    made = not settings.log_key_file and state.layout < VERSION
    if made and not os.access(files[0], os.F_OK):
        return None, Part("signing key", f"{files[0]} is not there yet: serve makes it")
    try:
        signer = load_signer(settings.origin, files)
    except SettingsError as error:
        return None, Part("signing key", wrong=error.findings)
    return signer, Part("signing key", _named(files))


def _sealing(settings: Settings) -> tuple[Sealer | None, Part]:
    files = paths(settings.payload_key_file)
    try:
        sealer = load_sealer(files)
    except SettingsError as error:
        return None, Part("payload key", wrong=error.findings)
    return sealer, Part("payload key", _named(files) or "none: payloads are not encrypted")


def _named(files: Sequence[Path]) -> str:
    return ", ".join(map(str, files))


def _log(settings: Settings, state: State, signer: Signer | None, sealer: Sealer | None) -> Part:
    wrong = list(state.wrong)
    if settings.issuers_file and not settings.in_postgresql:
        wrong += sqlite_state.list_of_tokens(settings.tokens)
    said = [f"{settings.shown_database_url}: {state.told}"]
    if state.readable:
        held, faults = asyncio.run(_held(settings, signer, sealer))
        said.append(held)
        wrong += faults
    return Part("log", ", ".join(said), tuple(dict.fromkeys(wrong)))


async def _held(
    settings: Settings, signer: Signer | None, sealer: Sealer | None
) -> tuple[str, list[str]]:
    """What the log holds, and what is wrong with it, as far as the keys are there."""
    log: ReadOnly | None = None
    try:
        log = opened(settings, sealer or Plain(), signer, untouched=True)
        size = await log.size()
        faults = await _faults(log, signer, sealer)
    except LogUnavailable as error:
        return "", [str(error)]
    finally:
        if log is not None:
            await log.close()
    compared = "is" if signer is not None else "was not compared with"
    return f"{size} entries, their tree {compared} the signed one", faults


async def _faults(log: ReadOnly, signer: Signer | None, sealer: Sealer | None) -> list[str]:
    found: list[str] = []

    async def payloads() -> Sequence[str]:
        await log.need_payloads()
        return ()

    async def signed() -> Sequence[str]:
        keys = signer.verifier_keys if signer is not None else ()
        return await signed_as_stored(log, tuple(map(str, keys)))

    asked: list[Callable[[], Awaitable[Sequence[str]]]] = []
    if sealer is not None:
        asked.append(payloads)
    if signer is not None:
        asked.append(signed)
    for ask in asked:
        try:
            found += await ask()
        except (LogUnavailable, LogProofError) as error:
            found.append(str(error))
    return found
