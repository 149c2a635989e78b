"""recommend: the plan for one request, or for many, recorded like any other."""

import argparse
import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from cds_service.cli import bulk
from cds_service.cli.arguments import command, moment
from cds_service.engine.model import Decision
from cds_service.errors import CdsError
from cds_service.service import Answer, Service
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the command."""
    recommend = command(
        commands, "recommend", _recommend, "print the plan for one request in plain words"
    )
    recommend.set_defaults(wrong=recommend.error)
    recommend.add_argument(
        "file",
        nargs="+",
        help="FHIR Parameters or Bundle in JSON; - is standard input; several only with --ndjson",
    )
    recommend.add_argument("--json", action="store_true", help="print the answer Bundle instead")
    recommend.add_argument(
        "--referral-note", action="store_true", help="print the referral note as a FHIR document"
    )
    recommend.add_argument("--strict", action="store_true", help="refuse what would be ignored")
    recommend.add_argument(
        "--language",
        metavar="TAG",
        help="that of the caregiver, such as sw; userLanguage of the request goes before it",
    )
    recommend.add_argument(
        "--as-of",
        type=moment,
        metavar="TIME",
        help="date, time and offset, such as 2026-05-01T09:30:00+02:00: the moment to decide for, "
        "used only when the request does not say (asOf, else the start of the visit)",
    )

    for layer in ("edition", "adaptation"):
        recommend.add_argument(f"--{layer}", help=f"default: CDS_{layer.upper()}")
    bulk.add(recommend)


def _recommend(asked: argparse.Namespace) -> int:
    if asked.ndjson:
        return bulk.run(asked)
    if wrong := bulk.only_for_many(asked):
        asked.wrong(f"{wrong} is only for --ndjson")
    (file,) = asked.file
    body = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
    settings = Settings.read(edition=asked.edition, adaptation=asked.adaptation)
    service = settings.service()
    if asked.as_of is not None:
        service.clock = lambda: asked.as_of
    note: bool = asked.referral_note
    wishes = (asked.language,) if asked.language else ()
    answer, decision = asyncio.run(
        _recorded(service, body, strict=asked.strict, note=note, languages=wishes)
    )
    try:
        _judge(answer)
        as_sent = asked.json or note
        print(answer.body.decode() if as_sent else _plain(decision, answer), flush=True)
    finally:
        print(f"Recorded as entry {answer.index} of {settings.log}.", file=sys.stderr)
    if asked.as_of not in (None, decision.case.as_of):
        print("--as-of was not used: the request itself says for when it is.", file=sys.stderr)
    return 0


def _plain(decision: Decision, answer: Answer) -> str:
    from cds_service.label.plain import plain

    return plain(decision, answer.languages[-1])


async def _recorded(
    service: Service, body: bytes, *, strict: bool, note: bool, languages: Sequence[str]
) -> tuple[Answer, Decision]:
    try:
        entry, decision = service.entry(body, strict=strict, note=note, languages=languages)
        return await service.record(entry), decision
    finally:
        await service.store.close()


def _judge(answer: Answer) -> None:
    """Let fhir.resources look at our own answer; raises CdsError when it finds a fault."""
    from fhir.resources.R4B.bundle import Bundle

    try:
        Bundle.model_validate_json(answer.body)
    except ValidationError as error:
        places = {".".join(map(str, problem["loc"])) for problem in error.errors()}
        faults = ", ".join(sorted(places))
        raise CdsError(f"do not use: the answer is not valid FHIR R4 at {faults}") from None
