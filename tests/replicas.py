"""A service in a process of its own on a port that it keeps, so that it can be restarted."""

import socket
import subprocess
import sys
from collections.abc import Mapping


def free_port() -> int:
    """A TCP port of this machine that nobody uses now."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


class Replica:
    """One of several services on one log; `environment` is the whole of its own."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self.port, self._environment = free_port(), environment
        self.process: subprocess.Popen[str] | None = None

    @property
    def address(self) -> str:
        """Where it answers."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it listens."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cds_service", "serve", "--port", str(self.port)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=self._environment,
        )  # fmt: skip
        assert self.process.stdout
        assert self.process.stdout.readline()

    def stop(self, signal: str = "terminate") -> int | None:
        """Stop it (`kill`: at once); its exit code, None when it was not running."""
        process, self.process = self.process, None
        if process is None:
            return None
        getattr(process, signal)()
        process.communicate(timeout=60)
        return process.returncode
