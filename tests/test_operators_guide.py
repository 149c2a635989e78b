"""The lines of the README's operator's guide, run as they stand on a machine of their own.

Their places become places of this test, and what needs root (packages, users, systemd) is left
out: the replicas are started as the unit of deploy/ says. Everything else is what the reader runs.
"""

import configparser
import os
import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.postgresql.server import Server
from tests.replicas import free_port

pytestmark = pytest.mark.postgresql
ROOT = Path(__file__).parents[1]
CONF = ROOT / "deploy" / "nginx.conf"
BIN = Path(sys.executable).parent
STARTS = "The service would start with these settings.\n"
_ROOTS = (
    "apt-get ", "/usr/bin/python3 -m venv ", "/opt/cds-service/bin/pip ", "useradd ", "install -d ",
    "chown ", "runuser -u postgres -- create", "cp deploy/cds-service@", "systemctl ",
    "grep -q cds.example", "SSL_CERT_FILE=",
)  # fmt: skip
"""How lines begin that only root can run, or that would change this machine; and the self-test,
which tests/cli runs on a service that asks for tokens."""


def steps() -> dict[str, str]:
    """The blocks of the guide, by the first word of their heading."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    guide = readme.partition("\n## Operator's guide\n")[2].partition("\n## ")[0]
    found = re.findall(r"\*\*\d\. ([A-Za-z ]+).*?```bash\n(.*?)```", guide, re.DOTALL)
    return dict(found)


class Machine:
    """Runs lines of the guide with their places moved into `folder`."""

    def __init__(self, folder: Path, server: Server) -> None:
        self.folder, self.proxy = folder, free_port()
        self.ports, database = (free_port(), free_port()), server.new_database()
        (folder / "etc").mkdir()
        (folder / "nginx").mkdir()
        self._places = {
            "/opt/cds-service/bin/": f"{BIN}/",
            "/etc/cds-service/": f"{folder}/etc/",
            "/etc/nginx/": f"{folder}/nginx/",
            "/usr/local/sbin/": f"{folder}/",
            "runuser -u cds -- ": "",
            # As one user, who owns the tables: what roles may do is tried in tests/audit.
            "runuser -u postgres -- ": "",
            "postgresql://cds@/log": database,
            "postgresql:///log": database,
            "--for cds": "",
            "127.0.0.1:8081": f"127.0.0.1:{self.ports[0]}",
            "127.0.0.1:8082": f"127.0.0.1:{self.ports[1]}",
            "https://cds.example": f"https://localhost:{self.proxy}",
            "=cds.example -addext subjectAltName=DNS:cds.example": (
                "=localhost -addext subjectAltName=DNS:localhost"
            ),
            "server_name cds.example": "server_name localhost",
            "listen 443 ": f"listen 127.0.0.1:{self.proxy} ",
            "/run/nginx.pid": f"{folder}/nginx.pid",
            "cp deploy/nginx.conf": f"cp {folder}/moved.conf",
            "nginx -t": f"nginx -t -p {folder} -c {folder}/nginx/nginx.conf",
        }
        self.environment = {
            name: value for name, value in os.environ.items() if not name.startswith("CDS_")
        }
        (folder / "moved.conf").write_text(self.moved(CONF.read_text(encoding="utf-8")))
        self.running: list[subprocess.Popen[bytes]] = []

    def moved(self, text: str) -> str:
        """The text with the places of this machine."""
        for old, new in self._places.items():
            text = text.replace(old, new)
        return text

    def run(self, lines: str) -> str:
        """Run lines in one shell that stops at the first that fails; what they print."""
        kept = "".join(
            line for line in lines.splitlines(keepends=True) if not line.startswith(_ROOTS)
        )
        # A later block has what an earlier one exported, as in the reader's shell.
        script = f"set -euo pipefail\n{self.moved(kept)}\nenv -0 > {self.folder}/exported"
        told = subprocess.run(
            ["bash", "-c", script], cwd=ROOT, env=self.environment, check=False,
            capture_output=True, text=True, timeout=300,
        )  # fmt: skip
        assert told.returncode == 0, told.stderr
        exported = (self.folder / "exported").read_text().split("\0")
        self.environment |= dict(each.split("=", 1) for each in exported if "=" in each)
        return told.stdout

    def start_replicas(self) -> None:
        """As systemd would, by the ExecStart and EnvironmentFile of the unit."""
        unit = configparser.ConfigParser(strict=False, interpolation=None)
        unit.read(ROOT / "deploy" / "cds-service@.service")
        service = unit["Service"]
        settings = Path(self.moved(service["EnvironmentFile"])).read_text().split()
        environment = self.environment | dict(line.split("=", 1) for line in settings)
        for port in self.ports:
            command = shlex.split(self.moved(service["ExecStart"]).replace("%i", str(port)))
            with (self.folder / f"{port}.journal").open("wb") as journal:
                self.running.append(
                    subprocess.Popen(command, env=environment, stdout=journal, stderr=journal)
                )

    def start_proxy(self) -> None:
        conf = self.folder / "nginx" / "nginx.conf"
        command = ["nginx", "-p", str(self.folder), "-c", str(conf), "-g", "daemon off;"]
        self.running.append(subprocess.Popen(command))
        for _ in range(500):
            with suppress(OSError):
                socket.create_connection(("127.0.0.1", self.proxy)).close()
                return
            time.sleep(0.02)
        raise AssertionError("nginx did not start")

    def close(self) -> None:
        for process in reversed(self.running):
            process.terminate()
            process.wait(60)


@pytest.fixture
def machine(tmp_path: Path, postgresql: Server) -> Iterator[Machine]:
    made = Machine(tmp_path, postgresql)
    try:
        yield made
    finally:
        made.close()


def test_who_follows_the_guide_has_two_replicas_that_know_their_callers(machine: Machine) -> None:
    blocks = steps()
    assert [*blocks] == [
        "Programs", "Settings", "Keys", "The database", "Callers", "The replicas", "The proxy",
        "Prove it", "Commands",
    ]  # fmt: skip
    for name in ("Settings", "Keys", "The database", "Callers"):
        machine.run(blocks[name])
    machine.start_replicas()
    ready = machine.run(blocks["The replicas"])
    assert "layout 3, 0 entries, their tree is the signed one\n" in ready
    assert ready.count(STARTS) == 1
    assert ready.count('"status":"pass","releaseId"') == len(machine.ports)

    machine.run(blocks["The proxy"])
    machine.start_proxy()
    proved = machine.run(blocks["Prove it"])

    refused, _, planned = proved.partition("}]}")
    assert '"code":"login"' in refused
    assert '"resourceType":"GuidanceResponse"' in planned

    told = machine.run(blocks["Commands"])

    assert "CDS_LOG_NAME=cds.example/log\n" in told
    assert "layout 3, 1 entries, their tree is the signed one\n" in told
    assert "right  issuer https://trial.example: 1 usable keys\n" in told
    assert told.count(STARTS) == 1
    assert "in order: 1 entries" in told
