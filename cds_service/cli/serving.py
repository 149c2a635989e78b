"""serve: answer over HTTP until stopped."""

import argparse
import asyncio
import gc
import signal
import socket
from contextlib import suppress
from typing import Any

from cds_service import __version__
from cds_service.cli.arguments import PROPOSAL, command
from cds_service.cli.output import said, write_lines
from cds_service.errors import CdsError, NotReady
from cds_service.service import Service
from cds_service.service.spans import closing
from cds_service.service.starting import Starting
from cds_service.settings import Settings

_GRACE = 3
"""Seconds that requests in flight are given when the server is stopped."""

_OPEN = "Nobody has to log in: whoever uses this machine may call and read the log."
_SECURED = "Callers are known by the tokens of the issuers that CDS_ISSUERS_FILE lists."


def add(commands: Any) -> None:
    """Declare the command."""
    serve = command(commands, "serve", _serve, "answer over HTTP until stopped")
    serve.add_argument("--host", help="address to listen on (default: CDS_HOST, else 127.0.0.1)")
    serve.add_argument(
        "--port", type=int, help="TCP port, 0 for any (default: CDS_PORT, else 8080)"
    )


def _serve(asked: argparse.Namespace) -> int:
    import uvicorn

    from cds_service.cli.patient import protocol
    from cds_service.content import tree
    from cds_service.web.app import make_app
    from cds_service.web.crowd import Bounds

    settings = Settings.read(host=asked.host, port=asked.port)
    write_lines(settings.output)
    with _listening(settings.host, settings.port) as listener:
        spans = settings.spans()
        service = settings.service(spans)
        asyncio.run(_checked(service))
        access = settings.access()
        app = make_app(
            service,
            max_body=settings.max_body_bytes,
            max_entries=settings.max_batch_entries,
            origins=settings.origins,
            access=access,
            names=settings.names,
            spans=spans,
            bounds=Bounds(
                settings.max_concurrent,
                settings.max_waiting,
                settings.body_seconds,
                settings.rate_limit,
                settings.refused_limit,
            ),
        )
        # What lives as long as the process need not be looked through at every collection.
        tree.forget()
        gc.collect()
        gc.freeze()
        config = uvicorn.Config(
            app,
            http=protocol(settings.body_seconds),
            forwarded_allow_ips=settings.proxies,
            access_log=False,
            log_config=None,
            server_header=False,
            lifespan="on",
            timeout_graceful_shutdown=_GRACE,
        )
        host, port = listener.getsockname()[:2]
        shown = f"[{host}]" if ":" in host else host
        _tell(settings, service, f"http://{shown}:{port}", secured=access is not None)
        # The server ends in good order at either signal and then passes on what ended it.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with suppress(KeyboardInterrupt), closing(spans):
            uvicorn.Server(config).run(sockets=[listener])
    return 0


def _tell(settings: Settings, service: Service, address: str, *, secured: bool) -> None:
    """Say on standard output that it answers now: where, by what, and to whom."""
    name, log, form = service.protocol.name, settings.log, settings.output
    where = f"cds-service {__version__} listens on {address} (API: /docs)"
    print(said(form, where, version=__version__, address=address))
    print(said(form, f"Protocol {name}, log {log}. {PROPOSAL}", protocol=name, log=log))
    print(said(form, _SECURED if secured else _OPEN), flush=True)


async def _checked(service: Service) -> None:
    """Let the service show that it is fit to answer; raises NotReady, with the log closed."""
    try:
        await Starting(service).check()
    except NotReady:
        await service.store.close()
        raise


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=2048)
    except OSError as error:
        raise CdsError(f"cannot listen on {host} port {port}: {error.strerror}") from error
