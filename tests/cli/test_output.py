"""What `serve` writes for a collector: one JSON object a line, from the first line to the last."""

import json
import logging
import os
import subprocess
import sys
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from cds_service.cli import main
from cds_service.cli.output import write_lines
from cds_service.errors import CdsError, ContentError, NotReady, SettingsError
from cds_service.settings import Settings

Printed = pytest.CaptureFixture[str]
COMMON = {"level", "logger", "message", "timestamp"}


@pytest.fixture(autouse=True)
def _for_a_collector(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    for name in [name for name in os.environ if name.startswith("CDS_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}/log.db")
    monkeypatch.setenv("CDS_OUTPUT", "json")
    # What is set up for the process is set back.
    monkeypatch.setattr(sys, "excepthook", sys.excepthook)
    monkeypatch.setattr(sys, "unraisablehook", sys.unraisablehook)
    monkeypatch.setattr(threading, "excepthook", threading.excepthook)
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    logging.captureWarnings(capture=False)
    root.handlers[:] = handlers
    root.setLevel(level)


def lines(text: str) -> list[dict[str, Any]]:
    """Each line, read as JSON; fails at one that is none, or that lacks what every line has."""
    read = [json.loads(line) for line in text.splitlines()]
    assert all(each.keys() >= COMMON for each in read)
    return read


def test_from_the_start_on_it_can_be_collected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = {
        "issuer": "https://records.example", "use": "client", "tenant": "district", "caller": "one",
        "keys_url": "https://records.example/keys", "roles": ["call"],
    }  # fmt: skip
    issuers = tmp_path / "issuers.json"
    issuers.write_text(json.dumps({"issuers": [one]}), encoding="utf-8")
    monkeypatch.setenv("CDS_ISSUERS_FILE", str(issuers))
    monkeypatch.setenv("CDS_PUBLIC_URL", "https://cds.example")
    with subprocess.Popen(
        [sys.executable, "-m", "cds_service", "serve", "--port", "0"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout
        started = "".join(process.stdout.readline() for _ in range(3))
        where, by, to = lines(started)
        sent = {"x-request-id": "ford-7"}
        answer = httpx.get(f"{where['address']}/cds-services", headers=sent)
        process.terminate()
        rest, err = process.communicate(timeout=30)

    assert answer.status_code == 401
    assert f"listens on {where['address']} (API: /docs)" in where["message"]
    assert (by["protocol"], by["log"]) == ("sick-young-infant|2024.1", f"{tmp_path}/log.db")
    assert by["protocol"] in by["message"]
    assert "CDS_ISSUERS_FILE" in to["message"]
    assert {each["level"] for each in (where, by, to)} == {"info"}
    (said,) = lines(rest + err)
    assert (said["level"], said["logger"]) == ("warning", "cds_service.access")
    assert said["request_id"] == "ford-7"
    assert said["trace_id"] == answer.headers["traceparent"].split("-")[1]
    assert said["message"] == f"request ford-7, trace {said['trace_id']} refused: no token"


def refused(printed: Printed) -> dict[str, Any]:
    """The one line on standard error, and nothing on standard output."""
    out, err = printed.readouterr()
    assert out == ""
    (line,) = lines(err)
    assert (line["level"], line["logger"]) == ("critical", "cds_service.serve")
    return line


def test_wrong_settings_are_one_line(monkeypatch: pytest.MonkeyPatch, capsys: Printed) -> None:
    monkeypatch.setenv("CDS_PORT", "many")
    monkeypatch.setenv("CDS_MAX_BODY_BYTES", "few")

    assert main(["serve"]) == 1

    line = refused(capsys)
    assert [each.partition(":")[0] for each in line["findings"]] == [
        "CDS_PORT", "CDS_MAX_BODY_BYTES",
    ]  # fmt: skip
    assert line["message"] == f"The settings are wrong: {'; '.join(line['findings'])}"


@pytest.mark.parametrize(
    "error",
    [
        ContentError(("signs.yaml: a", "fluids.yaml: b")),
        NotReady(("log: c",)),
        SettingsError(("CDS_TELEMETRY_URL: needs an extra",)),
        CdsError("cannot listen on 127.0.0.1 port 80: Permission denied"),
        FileNotFoundError(2, "no such file", "issuers.json"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_whatever_keeps_it_from_starting_is_one_line(
    error: Exception, monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(Settings, "service", fail)

    assert main(["serve", "--port", "0"]) == 1

    line = refused(capsys)
    assert line.get("findings", []) == [*getattr(error, "findings", ())]
    told = error.filename if isinstance(error, OSError) else str(error)
    assert told.replace("\n", "; ") in line["message"]


@pytest.mark.parametrize("wrong", [["--port", "many"], ["--port", "0", "--prot", "1"]])
def test_wrong_usage_is_one_line(wrong: list[str], capsys: Printed) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["serve", *wrong])

    assert "error: " in refused(capsys)["message"]


def test_help_and_other_commands_speak_to_people(
    monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["serve", "--help"])
    assert "usage: " in capsys.readouterr().out

    monkeypatch.setenv("CDS_PORT", "many")
    assert main(["settings"]) == 1
    assert capsys.readouterr().err.startswith("The settings are wrong:\nCDS_PORT")


def test_an_output_that_is_wrong_itself_is_told_in_words(
    monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    monkeypatch.setenv("CDS_OUTPUT", "JSON")

    assert main(["serve"]) == 1

    told = "The settings are wrong:\nCDS_OUTPUT: should be text or json (what serve writes)\n"
    assert capsys.readouterr().err == told


def test_what_nobody_foresaw_is_one_line_as_well(capsys: Printed) -> None:
    write_lines("json")
    fault = RuntimeError("gone")
    sys.excepthook(RuntimeError, fault, None)
    threading.excepthook(threading.ExceptHookArgs((RuntimeError, fault, None, None)))
    threading.excepthook(threading.ExceptHookArgs((SystemExit, SystemExit(), None, None)))
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        warnings.warn("old", stacklevel=1)

    one, other, warned = lines(capsys.readouterr().err)

    assert one["exception"][0]["exc_type"] == other["exception"][0]["exc_type"] == "RuntimeError"
    assert (one["level"], warned["logger"]) == ("critical", "py.warnings")


def test_no_other_attribute_of_a_record_is_written(capsys: Printed) -> None:
    write_lines("json")
    mixed = {"request_id": "ford-7", "patient": "Orla Fenn"}

    logging.getLogger("cds_service.access").warning("refused", extra=mixed)

    (line,) = lines(capsys.readouterr().err)
    assert line.keys() == COMMON | {"request_id"}


def test_lines_for_people_tell_the_request_too(capsys: Printed) -> None:
    write_lines("text")

    logging.getLogger("cds_service.access").warning("request ford-7", extra={"trace_id": "4b"})

    assert capsys.readouterr().err.endswith("WARNING cds_service.access: request ford-7\n")
