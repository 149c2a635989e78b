"""The clients of examples/ against a real server: each is run as it stands."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.served import served as started

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"
STORY = EXAMPLES / "05-pneumonia-counted-twice"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of the service in a process of its own, with a fresh log."""
    with started(tmp_path_factory.mktemp("clients")) as found:
        yield found.address


def run(*command: object, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        list(map(str, command)), capture_output=True, text=True, check=False, env=os.environ | more
    )


def client(*arguments: object) -> subprocess.CompletedProcess[str]:
    # -I: nothing of the project can be imported; -S: nor of any other package.
    return run(sys.executable, "-I", "-S", EXAMPLES / "client.py", *arguments)


def test_the_python_client_shows_the_plan_of_the_story(served: str) -> None:
    ended = client(served, STORY / "request.json")
    assert (ended.returncode, ended.stderr) == (0, "")
    stored = json.loads((STORY / "response.json").read_text())
    found = [entry["resource"] for entry in stored["entry"]]
    for one in found:
        if one["resourceType"] == "MedicationRequest":
            assert one["dosageInstruction"][0]["text"] in ended.stdout
        if one["resourceType"] == "Condition":
            assert f"class: {one['code']['coding'][0]['code']}\n" in ended.stdout
    assert "status: success\n" in ended.stdout
    assert "class: pneumonia\n" in ended.stdout
    assert "half a tablet = 125 mg" in ended.stdout
    assert "\n— cds-service.example/fhir " in ended.stdout  # the signed checkpoint


def test_the_python_client_sends_several_requests_as_one_batch(served: str) -> None:
    other = EXAMPLES / "06-infection-unlikely"
    ended = client(served, STORY / "request.json", other / "request.json")
    assert (ended.returncode, ended.stderr) == (0, "")
    first, second = ended.stdout.split(f"\n{other}/request.json, AuditEvent/log-")
    assert f"\n{STORY}/request.json, AuditEvent/log-" in first
    assert "class: pneumonia\n" in first
    assert "half a tablet = 125 mg" in first
    assert "class: infection-unlikely\n" in second
    assert "\n— cds-service.example/fhir " in second


def test_the_python_client_shows_the_others_when_one_of_a_batch_is_refused(served: str) -> None:
    wrong = EXAMPLES / "hooks-plan" / "call.json"
    ended = client(served, STORY / "request.json", wrong)
    assert ended.returncode == 1
    assert "class: pneumonia\n" in ended.stdout
    assert ended.stderr.startswith(f"{wrong}: REFUSED (400): The body is neither")


def test_the_python_client_says_why_it_was_refused(served: str) -> None:
    ended = client(served, EXAMPLES / "hooks-plan" / "call.json")
    assert (ended.returncode, ended.stdout) == (1, "")
    assert ended.stderr.startswith("REFUSED (400): The body is neither")


def test_the_python_client_says_that_nobody_is_there() -> None:
    ended = client("http://127.0.0.1:1", STORY / "request.json")
    assert ended.returncode == 2
    assert ended.stderr.startswith("NOT ASKED: ")


def test_the_python_client_shows_its_usage() -> None:
    ended = client()
    assert ended.returncode == 2
    assert "client.py BASE-URL REQUEST.json" in ended.stdout


def test_the_curl_client_does_what_it_says(served: str, tmp_path: Path) -> None:
    stand_in = tmp_path / "bin" / "curl"
    stand_in.parent.mkdir()
    stand_in.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{ROOT}/tests/curl.py" "$@"\n')
    stand_in.chmod(0o755)
    path = f"{stand_in.parent}:{os.environ['PATH']}"
    out = tmp_path / "out"
    ended = run("bash", EXAMPLES / "curl.sh", served, STORY / "request.json", out, PATH=path)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert json.loads((out / "plan.json").read_bytes()) == json.loads(
        (STORY / "response.json").read_bytes()
    )
    assert "idempotency-replayed: true" in (out / "headers-again").read_text().lower()
    assert (out / "proof").read_text().startswith("c2sp.org/tlog-proof@v1\n")
    assert json.loads((out / "event.json").read_bytes())["resourceType"] == "AuditEvent"
    assert (out / "checkpoint").read_text().startswith("cds-service.example/fhir\n")


def requests() -> list[tuple[str, str, dict[str, str], bytes | None]]:
    """Method, address, headers and body of each request of the .http file."""
    text = (EXAMPLES / "requests.http").read_text()
    found = []
    for part in re.split(r"^### .*\n", text, flags=re.MULTILINE)[1:]:
        head, _, body = part.strip().partition("\n\n")
        first, *lines = head.split("\n")
        method, address = first.split(" ")
        file = body.removeprefix("< ./")
        content = (EXAMPLES / file).read_bytes() if body else None
        found.append((method, address, dict(line.split(": ", 1) for line in lines), content))
    return found


@pytest.mark.parametrize("asked", requests(), ids=lambda asked: asked[1].removeprefix("{{base}}"))
def test_each_request_of_the_http_file_is_answered(
    served: str, asked: tuple[str, str, dict[str, str], bytes | None]
) -> None:
    method, address, headers, content = asked
    url = address.replace("{{base}}", served)
    answer = httpx.request(method, url, headers=headers, content=content)
    assert answer.status_code == 200, answer.text
    if "Prefer" in headers:
        assert answer.headers["preference-applied"] == headers["Prefer"]


def test_the_http_file_has_every_kind_of_request() -> None:
    assert len(requests()) == 10
    assert {method for method, *_ in requests()} == {"GET", "POST"}
