"""The command line: serve, recommend, check-content, profiles.

Exit codes: 0 done; 1 refused, failed or findings (the reason is on stderr); 2 wrong usage.
"""

import argparse
import asyncio
import gc
import logging
import socket
import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from cds_service import __version__
from cds_service.content.load import load
from cds_service.engine.model import Decision
from cds_service.errors import CdsError, ContentError, Problem, RequestError, SettingsError
from cds_service.service import Answer, Service
from cds_service.settings import Settings

_PROPOSAL = "Every plan is a proposal for a licensed health worker; national protocol comes first."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; faults are told in words, never as a traceback."""
    asked = _parser().parse_args(arguments)
    run: Callable[[argparse.Namespace], int] = asked.run
    try:
        return run(asked)
    except (ContentError, SettingsError) as error:
        return _refuse(f"{_LISTS[type(error)]}:", *error.findings)
    except RequestError as error:
        return _refuse("No recommendation can be made:", *map(_told, error.problems))
    except (CdsError, OSError) as error:
        return _refuse(str(error))


_LISTS = {ContentError: "The content has findings", SettingsError: "The settings are wrong"}


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
    recommend.add_argument("--strict", action="store_true", help="refuse what would be ignored")
    recommend.add_argument(
        "--as-of",
        type=_moment,
        metavar="TIME",
        help="ISO 8601 with offset; taken as now where the request does not say for when it is",
    )

    check = _command(commands, "check-content", _check_content, "check a protocol's files")
    check.add_argument("folder", nargs="?", type=Path, help="a protocol's folder (default: ours)")

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
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError("add the offset, for example +02:00 or Z")
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
            app, access_log=False, log_level="warning", server_header=False, lifespan="on"
        )
        host, port = listener.getsockname()[:2]
        shown = f"[{host}]" if ":" in host else host
        print(f"cds-service {__version__} listens on http://{shown}:{port} (API: /docs)")
        print(f"Protocol {service.protocol.id}, log {settings.database}. {_PROPOSAL}", flush=True)
        try:
            uvicorn.Server(config).run(sockets=[listener])
        except KeyboardInterrupt:
            return 0  # the server has ended in good order and passes on what ended it
    return 0


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except OSError as error:
        raise CdsError(f"cannot listen on {host} port {port}: {error.strerror}") from error


def _recommend(asked: argparse.Namespace) -> int:
    body = sys.stdin.buffer.read() if asked.file == "-" else Path(asked.file).read_bytes()
    settings = Settings.read()
    service = settings.service()
    if asked.as_of is not None:
        service.clock = lambda: asked.as_of
    answer, decision = asyncio.run(_recorded(service, body, strict=asked.strict))
    _judge(answer)
    if asked.json:
        print(answer.body.decode())
    else:
        from cds_service.label.plain import plain

        print(plain(decision))
    print(f"Recorded as entry {answer.index} of {settings.database}.", file=sys.stderr)
    return 0


async def _recorded(service: Service, body: bytes, *, strict: bool) -> tuple[Answer, Decision]:
    try:
        entry, decision = service.entry(body, strict=strict)
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
    folder: Path | None = asked.folder
    protocol = load() if folder is None else load(folder.resolve().parent, folder.resolve().name)
    print(f"{protocol.id} {protocol.version}: no findings, content {protocol.digest}")
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
