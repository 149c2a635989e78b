"""recommend --ndjson in processes of its own, as its users start it: order, ends, interrupts."""

import os
import signal
import subprocess
import termios
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

import psutil
import pytest

from tests.benchmarks import many

from .conftest import Printed
from .ndjson import COMMAND, bulk


@pytest.fixture
def started(tmp_path: Path) -> Any:
    """Starts the command with two processes; what is left of it is killed at the end."""
    running: list[subprocess.Popen[bytes]] = []

    def start(*arguments: str, stdout: Any = subprocess.PIPE) -> "subprocess.Popen[bytes]":
        command = [*COMMAND, *arguments, "--jobs", "2", "--unrecorded"]
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=stdout,
            stderr=subprocess.PIPE,
            # A shell that starts the tests behind itself has them ignore interrupts.
            preexec_fn=_interruptible,  # noqa: PLW1509 - it only sets a signal
        )
        running.append(process)
        return process

    yield start
    for process in running:
        process.kill()
        process.wait()
        for stream in filter(None, (process.stdin, process.stdout, process.stderr)):
            stream.close()


def _interruptible() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def workers(process: "subprocess.Popen[bytes]") -> list[psutil.Process]:
    """Its two processes, once they are there."""
    while len(found := psutil.Process(process.pid).children()) < 2:
        time.sleep(0.01)
    return found


def first_lines(process: "subprocess.Popen[bytes]", count: int) -> bytes:
    """Give it more requests than it answers in a minute, and read the answers to the first."""
    feeding, process.stdin = process.stdin, None  # or `communicate` would close it meanwhile
    threading.Thread(target=_feed, args=(feeding,), daemon=True).start()
    assert process.stdout
    return b"".join(process.stdout.readline() for _ in range(count))


MANY = 20_000
"""Requests whose answers still have room in memory, should it not stop as it is to."""


def _feed(file: BinaryIO) -> None:
    with suppress(BrokenPipeError), file:
        file.writelines(many.lines(MANY))


def test_several_processes_keep_the_order(started: Any, tmp_path: Path, capsys: Printed) -> None:
    lines = [b"{" if number % 50 == 7 else each for number, each in enumerate(many.lines(150))]
    sent = b"".join(each.rstrip(b"\n") + b"\n" for each in lines)
    (tmp_path / "many").write_bytes(sent)
    bulk(tmp_path / "many", "--unrecorded", code=3)
    reads, writes = os.openpty()
    termios.tcsetwinsize(writes, (24, 80))
    process = subprocess.Popen(
        [*COMMAND, str(tmp_path / "many"), "--jobs", "2", "--unrecorded"],
        stdout=subprocess.PIPE,
        stderr=writes,
    )
    out = process.communicate()[0]
    shown = os.read(reads, 100_000).decode()
    os.close(writes)
    os.close(reads)
    assert process.returncode == 3
    assert out.decode() == capsys.readouterr().out
    assert "MB" in shown or "MiB" in shown or "kB" in shown  # the progress, for who looks


def test_a_process_that_is_killed_is_told_and_no_line_is_lost(started: Any) -> None:
    process = started("-")
    answers = first_lines(process, 64)
    workers(process)[0].kill()
    rest, err = process.communicate()
    answers += rest
    assert process.returncode == 1
    assert b"a process that decides was ended, by signal 9" in err
    assert b"Traceback" not in err
    count = answers.count(b"\n")
    assert answers.endswith(b"\n")
    assert f"Stopped: the first {count} lines have their answers".encode() in err


def test_an_interrupt_says_how_far_it_came(started: Any) -> None:
    process = started("-")
    first_lines(process, 64)
    left = workers(process)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate()
    assert process.returncode == 130
    assert err.startswith(b"Stopped: the first ")
    assert b"Traceback" not in err
    assert not [each for each in left if each.is_running()]


def test_a_reader_who_goes_away_ends_it(started: Any) -> None:
    process = started("-")
    first_lines(process, 1)
    left = workers(process)
    process.stdout.close()
    process.stdout = None
    _, err = process.communicate()
    assert process.returncode == 141
    assert b"Traceback" not in err
    assert not [each for each in left if each.is_running()]


def test_its_processes_end_with_it(started: Any) -> None:
    process = started("-")
    left = workers(process)
    process.kill()
    assert not psutil.wait_procs(left, timeout=30)[1]
