"""A PostgreSQL server of our own: its data in a folder of its own, reached by a socket in it.

PostgreSQL refuses to run as root; as root it is started as the account `postgres`, else `nobody`.
"""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import psycopg

INSTALL = (
    "PostgreSQL's server is not installed, and the tests of the log need it. Debian: "
    "apt-get install postgresql. Elsewhere: put `postgres`, `initdb` and `pg_ctl` on the PATH. "
    "To leave these tests out: pytest --without-postgresql"
)
SETTINGS = {
    "listen_addresses": "",
    "shared_buffers": "16MB",
    "max_connections": "40",
    "fsync": "on",
    "max_wal_size": "512MB",
    "recovery_init_sync_method": "syncfs",
    "log_min_messages": "warning",
    "timezone": "UTC",
}
"""A durable server in little memory. What is tested is its behaviour, so nothing is loosened."""


class NotInstalled(Exception):
    """There is no PostgreSQL server on this machine; the message says how to install one."""

    def __init__(self) -> None:
        super().__init__(INSTALL)


def programs() -> Path:
    """The folder of `postgres`, `initdb` and `pg_ctl`; raises NotInstalled.

    Debian puts them outside the PATH, in a folder for each version: the latest is taken.
    """
    candidates = [Path(found).resolve().parent] if (found := shutil.which("postgres")) else []
    if shutil.which("pg_config"):
        said = subprocess.run(["pg_config", "--bindir"], capture_output=True, text=True, check=True)
        candidates.append(Path(said.stdout.strip()))
    kept = Path("/usr/lib/postgresql").glob("*/bin")
    candidates += sorted(kept, key=lambda path: int(path.parent.name), reverse=True)
    for candidate in candidates:
        if all((candidate / name).exists() for name in ("postgres", "initdb", "pg_ctl")):
            return candidate
    raise NotInstalled


class Server:
    """One server in `folder`; stopped and started again it keeps its data."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / "data"
        self._programs = programs()
        self._account = _account()
        self._databases = 0
        self._process: subprocess.Popen[bytes] | None = None
        if self._account:
            os.chown(folder, self._account.pw_uid, self._account.pw_gid)
        self._run(
            "initdb", "--pgdata", self.data, "--username=postgres", "--auth=trust", "--no-sync",
            "--encoding=UTF8", "--no-locale",
        )  # fmt: skip

    def start(self, **settings: str) -> None:
        """Start it and wait until it takes connections; `settings` are for this time only."""
        options = {**SETTINGS, "unix_socket_directories": str(self.folder), **settings}
        given = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        with (self.folder / "server.log").open("ab") as log:
            self._process = self._popen("postgres", "-D", self.data, *given, stdout=log, stderr=log)
        until = time.monotonic() + 60
        while True:
            try:
                psycopg.connect(self.url("postgres")).close()
            except psycopg.OperationalError:
                if time.monotonic() > until or self._process.poll() is not None:
                    raise
                time.sleep(0.05)
            else:
                return

    @property
    def pid(self) -> int:
        """The process that started all the others."""
        assert self._process is not None
        return self._process.pid

    def stop(self, how: str = "fast") -> None:
        """Stop it: `smart`, `fast`, or `immediate` (without a checkpoint: it recovers at start)."""
        process, self._process = self._process, None
        if process is None:
            return
        # What `pg_ctl stop -m` sends, see its page in PostgreSQL's documentation.
        process.send_signal(
            {"smart": signal.SIGTERM, "fast": signal.SIGINT, "immediate": signal.SIGQUIT}[how]
        )
        process.wait(60)

    def restart(self, how: str = "fast", **settings: str) -> None:
        """Stop, then start."""
        self.stop(how)
        self.start(**settings)

    def url(self, database: str, role: str = "postgres") -> str:
        """The address of one of its databases."""
        return f"postgresql://{role}@/{database}?host={self.folder}"

    def new_database(self) -> str:
        """Make an empty database; its address."""
        self._databases += 1
        name = f"log{self._databases}"
        self.run(f"CREATE DATABASE {name}")
        return self.url(name)

    def run(self, *statements: str, database: str = "postgres") -> None:
        """Run statements as the administrator, each by itself."""
        with psycopg.connect(self.url(database), autocommit=True) as connection:
            for statement in statements:
                connection.execute(statement.encode())

    def until(self, setting: str, value: str) -> None:
        """Wait until new sessions have the value, after the server was told to read it again."""
        for _ in range(500):
            with psycopg.connect(self.url("postgres")) as connection:
                if connection.execute(f"SHOW {setting}".encode()).fetchone() == (value,):
                    return
            time.sleep(0.02)
        raise RuntimeError(f"{setting} does not become {value}")

    def _run(self, name: str, *arguments: object) -> None:
        process = self._popen(name, *arguments, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        said, _ = process.communicate()
        if process.returncode:
            raise RuntimeError(f"{name}: {said.decode()}")

    def _popen(self, name: str, *arguments: object, **options: object) -> "subprocess.Popen[bytes]":
        command: Sequence[str] = [str(self._programs / name), *map(str, arguments)]
        who: dict[str, object] = {}
        if self._account:
            who = {"user": self._account.pw_uid, "group": self._account.pw_gid, "extra_groups": []}
        # A group of its own: Ctrl-C in the terminal is for the tests, which then stop it.
        return subprocess.Popen(command, cwd=self.folder, start_new_session=True, **who, **options)  # type: ignore[call-overload, no-any-return]


def _account() -> pwd.struct_passwd | None:
    """Whom to become, when we are root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise RuntimeError("neither an account `postgres` nor `nobody`: PostgreSQL runs as no root")


@contextmanager
def running(**settings: str) -> Iterator[Server]:
    """A server that is started, and stopped and removed at the end.

    Its folder is made anew and not below that of pytest: into that only root may go. Its name
    is short, a socket's path has at most 107 bytes.
    """
    with tempfile.TemporaryDirectory(prefix="pg-") as folder:
        server = Server(Path(folder))
        try:
            server.start(**settings)
            yield server
        finally:
            server.stop("immediate")
