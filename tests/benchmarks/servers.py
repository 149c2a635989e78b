"""The three servers, each in a process of its own on a free port of this machine."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import psutil

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Server:
    """One running server; `path` is where it takes the request."""

    name: str
    address: str
    process: psutil.Process

    def cpu_seconds(self) -> float:
        """User and system time of the process so far, all its threads."""
        times = self.process.cpu_times()
        return float(times.user + times.system)


def plain(name: str, port: int) -> list[str]:
    """How (a) and (b) are started."""
    app = ["--factory", f"tests.benchmarks.{name}:make_app"]
    served = [
        "--loop",
        "uvloop",
        "--http",
        "httptools",
        "--no-access-log",
        "--log-level",
        "warning",
    ]
    return [sys.executable, "-m", "uvicorn", *app, "--port", str(port), *served]


def ours(port: int) -> list[str]:
    """How (c) is started: as in production."""
    return [sys.executable, "-m", "cds_service", "serve", "--port", str(port)]


@contextmanager
def running(
    name: str, folder: Path, path: str, settings: Mapping[str, str] = MappingProxyType({})
) -> Iterator[Server]:
    """Start one of "floor", "usual", "cds-service"; its files are in `folder`.

    `settings` are further variables of its environment.
    """
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = ours(port) if name == "cds-service" else plain(name, port)
    environment = {
        **os.environ,
        "BENCHMARK_ANSWER": str(folder / "response.json"),
        "CDS_DATABASE_URL": f"sqlite:///{folder / 'log.db'}",
        **settings,
    }
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
    try:
        _wait_for(port, process)
        yield Server(name, f"http://127.0.0.1:{port}{path}", psutil.Process(process.pid))
    finally:
        process.terminate()
        process.wait()


def _wait_for(port: int, process: "subprocess.Popen[bytes]") -> None:
    for _ in range(1200):
        if process.poll() is not None:
            raise SystemExit(f"a server ended with {process.returncode} before it was ready")
        try:
            socket.create_connection(("127.0.0.1", port)).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise SystemExit("a server was not ready in time")
