"""The command line: serve, recommend, check-content, diff-content, catalogue, profiles.

Exit codes: 0 done; 1 refused, failed or findings (the reason is on stderr); 2 wrong usage;
as usual in a shell, 130 interrupted and 141 when whoever reads the output has gone away.
"""

import argparse
import asyncio
import gc
import logging
import os
import signal
import socket
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from cds_service import __version__
from cds_service.content.hazards import hazards
from cds_service.content.library import Library
from cds_service.content.load import edition_of, layers, load, packaged, packaged_folder
from cds_service.engine.model import Decision
from cds_service.errors import CdsError, ContentError, Problem, RequestError, SettingsError
from cds_service.service import Answer, Service
from cds_service.settings import Settings

_GRACE = 3
"""Seconds that requests in flight are given when the server is stopped."""

_PROPOSAL = "Every plan is a proposal for a licensed health worker; national protocol comes first."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; faults are told in words, never as a traceback."""
    asked = _parser().parse_args(arguments)
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
    except (ContentError, SettingsError) as error:
        return _refuse(f"{_LISTS[type(error)]}:", *error.findings)
    except RequestError as error:
        return _refuse("No recommendation can be made:", *map(_told, error.problems))
    except CdsError as error:
        return _refuse(str(error))
    except OSError as error:
        return _refuse(_in_words(error))
    return code


_LISTS = {ContentError: "The content has findings", SettingsError: "The settings are wrong"}


def _in_words(error: OSError) -> str:
    """Which file, and what about it."""
    about = {
        FileNotFoundError: "there is no such file",
        IsADirectoryError: "is a folder, and a file is needed",
        NotADirectoryError: "is a file, and a folder is needed",
        FileExistsError: "is a file, and a folder is needed",
        PermissionError: "this user is not permitted to open it",
    }.get(type(error), error.strerror or "cannot be used")
    return f"{error.filename}: {about}" if error.filename else about


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="cds-service",
        description=f"FHIR R4 decision support for the sick young infant (0-59 days). {_PROPOSAL}",
        epilog="Settings are environment variables with the prefix CDS_; README.md lists them.",
    )
    parser.add_argument("--version", action="version", version=f"cds-service {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    serve = _command(commands, "serve", _serve, "answer over HTTP until stopped")
    serve.add_argument("--host", help="address to listen on (default: CDS_HOST, else 127.0.0.1)")
    serve.add_argument(
        "--port", type=int, help="TCP port, 0 for any (default: CDS_PORT, else 8080)"
    )

    recommend = _command(
        commands, "recommend", _recommend, "print the plan for one request in plain words"
    )
    recommend.add_argument("file", help="FHIR Parameters or Bundle in JSON; - is standard input")
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
        type=_moment,
        metavar="TIME",
        help="date, time and offset, such as 2026-05-01T09:30:00+02:00: the moment to decide for, "
        "used only when the request does not say (asOf, else the start of the visit)",
    )

    for layer in ("edition", "adaptation"):
        recommend.add_argument(f"--{layer}", help=f"default: CDS_{layer.upper()}")

    check = _command(commands, "check-content", _check_content, "check a protocol's files")
    check.add_argument(
        "folder",
        nargs="?",
        type=Path,
        help="one protocol's folder, named as the protocol's id, or a folder of such folders "
        "(default: the protocols that come with the program)",
    )

    compare = _command(
        commands, "diff-content", _diff_content, "say what changes from one content to another"
    )
    for name in ("old", "new"):
        compare.add_argument(name, help="an edition, with + and an adaptation: 2024.1+kestria")

    catalogue = _command(
        commands, "catalogue", _catalogue, "bring the caregiver's texts to a translator's file"
    )
    catalogue.add_argument(
        "language",
        nargs="*",
        help="tags such as sw or pt-BR, one file each (default: every language there is)",
    )
    catalogue.add_argument(
        "--folder",
        type=Path,
        help="one protocol's folder (default: that of the protocol that comes with the program)",
    )

    profiles = _command(
        commands, "profiles", _profiles, "write the FHIR artefacts that are made from the content"
    )
    profiles.add_argument("--check", action="store_true", help="only compare; 1 when they differ")
    profiles.add_argument("--out", type=Path, default=Path("profiles"), help="default: profiles")
    return parser


def _command(
    commands: Any, name: str, run: Callable[[argparse.Namespace], int], about: str
) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(
        name, help=about, description=f"{about[0].upper()}{about[1:]}."
    )
    made.set_defaults(run=run)
    return made


def _moment(text: str) -> datetime:
    """An ISO 8601 time with offset; argparse turns the error into a usage message."""
    wanted = "needs date, time and offset, for example 2026-05-01T09:30:00+02:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(wanted) from None
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError(wanted)
    return moment


def _serve(asked: argparse.Namespace) -> int:
    import uvicorn

    from cds_service.web.app import make_app

    settings = Settings.read(host=asked.host, port=asked.port)
    logging.basicConfig(format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    with _listening(settings.host, settings.port) as listener:
        service = settings.service()
        app = make_app(service, max_body=settings.max_body_bytes)
        # What lives as long as the process need not be looked through at every collection.
        gc.collect()
        gc.freeze()
        config = uvicorn.Config(
            app,
            access_log=False,
            log_level="warning",
            server_header=False,
            lifespan="on",
            timeout_graceful_shutdown=_GRACE,
        )
        host, port = listener.getsockname()[:2]
        shown = f"[{host}]" if ":" in host else host
        print(f"cds-service {__version__} listens on http://{shown}:{port} (API: /docs)")
        print(f"Protocol {service.protocol.name}, log {settings.database}. {_PROPOSAL}", flush=True)
        # The server ends in good order at either signal and then passes on what ended it.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listener])
    return 0


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except OSError as error:
        raise CdsError(f"cannot listen on {host} port {port}: {error.strerror}") from error


def _recommend(asked: argparse.Namespace) -> int:
    body = sys.stdin.buffer.read() if asked.file == "-" else Path(asked.file).read_bytes()
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
        print(f"Recorded as entry {answer.index} of {settings.database}.", file=sys.stderr)
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


def _check_content(asked: argparse.Namespace) -> int:
    findings: list[str] = []
    for folder, name in _protocols(asked.folder):
        for layered in _layered(folder, name):
            try:
                edition, adaptation = layered
                protocol = load(folder, name, edition=edition, adaptation=adaptation)
                hazards(folder / name if folder else packaged_folder(name), protocol)
            except ContentError as error:
                findings += [f"{(folder or Path()) / name / each}" for each in error.findings]
            else:
                print(f"{protocol.name}: no findings, content {protocol.digest}")
    if findings:
        raise ContentError(tuple(findings))
    return 0


def _layered(folder: Path | None, name: str) -> list[tuple[str, str]]:
    """Edition and adaptation: the base, each edition, each adaptation on its own edition."""
    editions = [(edition, "") for edition in layers(name, "edition", folder)]
    adapted = [
        (edition_of(name, adaptation, folder), adaptation)
        for adaptation in layers(name, "adaptation", folder)
    ]
    return [("", ""), *editions, *adapted]


def _diff_content(asked: argparse.Namespace) -> int:
    from cds_service.label.differences import differences

    protocol_id, library = Settings.read().protocol, Library()
    old, new = (library.named(f"{protocol_id}|{name}") for name in (asked.old, asked.new))
    for line in differences(old, new):
        print(line)
    return 0


def _protocols(folder: Path | None) -> list[tuple[Path | None, str]]:
    """Each protocol to be checked, as `load` takes it: the folder that it is in, and its name."""
    if folder is None:
        return [(None, name) for name in packaged()]
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "there is no such folder"
        raise CdsError(f"{folder}: {what}; give a protocol's folder, or the folder they are in")
    inside = sorted(path.parent for path in folder.resolve().glob("*/protocol.yaml"))
    return [(path.parent, path.name) for path in inside or [folder.resolve()]]


def _catalogue(asked: argparse.Namespace) -> int:
    from cds_service.content.write_catalogue import update

    folder = asked.folder or packaged_folder(Settings.read().protocol)
    folder = folder.resolve()
    protocol = load(folder.parent, folder.name, translated=False)
    for done in update(protocol, folder, asked.language):
        print(
            f"{done.path}: {done.texts} texts, {done.without} without translation, "
            f"{done.changed} to look at again"
        )
    return 0


def _profiles(asked: argparse.Namespace) -> int:
    from cds_service.fhir.artefacts import files

    settings = Settings.read()
    made = files(load(protocol_id=settings.protocol), settings.base)
    if asked.check:
        findings = _differences(asked.out, made)
        return _refuse("The artefacts are not those of the content:", *findings) if findings else 0
    asked.out.mkdir(parents=True, exist_ok=True)
    for name, content in made.items():
        (asked.out / name).write_bytes(content)
    print(f"{len(made)} artefacts written to {asked.out}")
    return 0


def _differences(folder: Path, made: dict[str, bytes]) -> list[str]:
    """What `cds-service profiles` would change, and generated files that are no longer made."""
    findings = []
    for name, content in sorted(made.items()):
        path = folder / name
        if not path.is_file():
            findings.append(f"{path}: missing; run cds-service profiles")
        elif path.read_bytes() != content:
            findings.append(f"{path}: differs; run cds-service profiles")
    # StructureDefinitions are written by hand.
    left_over = {
        path.name
        for path in folder.glob("*.json")
        if b'"resourceType": "StructureDefinition"' not in path.read_bytes()
    } - made.keys()
    return findings + [
        f"{folder / name}: nothing makes it; remove it" for name in sorted(left_over)
    ]


def _told(problem: Problem) -> str:
    place = f"{problem.expression}: " if problem.expression else ""
    return f"{place}{problem.what} {problem.remedy}"


def _refuse(*lines: str) -> int:
    for line in lines:
        print(line, file=sys.stderr)
    return 1
