"""deploy/ and docker-compose.yml: read as their programs read them, as far as that can be had."""

import configparser
import json
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
import yaml
from fhir.resources.R4B.operationoutcome import OperationOutcome

from cds_service.settings import Settings
from cds_service.web import negotiate
from tests.fuzz.watching import ISSUE_TYPES

ROOT = Path(__file__).parents[1]
COMPOSE = ROOT / "docker-compose.yml"
UNITS = [ROOT / "deploy" / name for name in ("cds-service.service", "cds-service@.service")]
NAMES = {f"CDS_{name.upper()}" for name in Settings.model_fields}


def test_every_setting_that_is_named_there_is() -> None:
    for path in (COMPOSE, *ROOT.glob("deploy/*")):
        named = set(re.findall(r"\bCDS_[A-Z_]+\b", path.read_text(encoding="utf-8")))
        assert named <= NAMES, path.name


def test_the_services_of_the_compose_file_are_bounded() -> None:
    """Compose Specification (from memory): what is referred to is there; nothing runs as root."""
    whole = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))
    services = whole["services"]

    assert {"cds-service", "replica-1", "replica-2", "prepare-log", "database", "proxy"} == set(
        services
    )
    for name in ("cds-service", "replica-1", "replica-2"):
        one = services[name]
        assert one["read_only"] is True
        assert one["cap_drop"] == ["ALL"]
        assert "USER cds" in one["build"]["dockerfile_inline"]
        assert one["healthcheck"]["test"]
    for one in services.values():
        assert set(one.get("depends_on", {})) <= set(services)
        for secret in one.get("secrets", []):
            assert secret in whole["secrets"]
        for config in one.get("configs", []):
            assert config["source"] in whole["configs"]
    published = [port for one in services.values() for port in one.get("ports", [])]
    assert published == ["127.0.0.1:8080:8080", "443:443"]


def test_the_image_is_made_of_all_that_the_wheel_is_made_of() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        built = tomllib.load(file)
    wanted = set(built["tool"]["hatch"]["build"]["targets"]["wheel"]["only-include"])
    wanted |= {"pyproject.toml", "requirements.txt", built["project"]["readme"]}
    wanted |= set(built["project"]["license-files"])
    whole = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))
    steps = whole["services"]["cds-service"]["build"]["dockerfile_inline"].splitlines()

    copied = {word for step in steps if step.startswith("COPY ") for word in step.split()[1:-1]}

    assert copied == wanted
    assert all((ROOT / name).exists() for name in copied)


@pytest.mark.parametrize("path", UNITS, ids=lambda path: str(path.name))
def test_the_unit_is_one_of_systemd(path: Path, tmp_path: Path) -> None:
    assert shutil.which("systemd-analyze"), "systemd-analyze is needed (Debian: systemd)"
    text = path.read_text(encoding="utf-8").replace("/opt/cds-service/bin/cds-service", "/bin/true")
    unit = tmp_path / path.name.replace("@", "@8081")
    unit.write_text(text, encoding="utf-8")

    told = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip

    mine = [line for line in told.stderr.splitlines() if "cds-service" in line]
    assert mine == []


@pytest.mark.parametrize("path", UNITS, ids=lambda path: str(path.name))
def test_the_unit_is_confined(path: Path) -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(path)

    service = unit["Service"]
    assert service.get("User", "root") != "root" or service["DynamicUser"] == "yes"
    assert service["NoNewPrivileges"] == "yes"
    assert service["ProtectSystem"] == "strict"
    assert int(service["TimeoutStopSec"]) > 3  # as long as requests in flight are given
    # systemd.unit(5) (from memory): by default five starts in ten seconds are the last.
    assert (service["Restart"], unit["Unit"]["StartLimitIntervalSec"]) == ("always", "0")


def test_the_proxy_writes_nothing_of_an_infant_on_its_disk() -> None:
    """nginx ngx_http_core_module, ngx_http_proxy_module (from memory): a larger body, or an answer
    beyond the buffers, goes into a temporary file."""
    text = (ROOT / "deploy" / "nginx.conf").read_text(encoding="utf-8")
    said = dict(re.findall(r"^ +(\w+) ([^;]+);$", text, re.MULTILINE))

    assert (said["client_max_body_size"], said["client_body_buffer_size"]) == ("1m", "1152k")
    assert said["proxy_max_temp_file_size"] == "0"


def test_the_proxy_takes_an_id_for_sane_that_the_service_does() -> None:
    text = (ROOT / "deploy" / "nginx.conf").read_text(encoding="utf-8")
    (rule,) = re.findall(r'^ +"~\^(.+)\$" \$http_x_request_id;$', text, re.MULTILINE)

    assert rule == negotiate.REQUEST_ID.pattern


def test_whatever_the_proxy_says_is_an_operation_outcome() -> None:
    """nginx has the answer in two parts, `return` and `map $status $problem`."""
    text = (ROOT / "deploy" / "nginx.conf").read_text(encoding="utf-8")
    (whole,) = re.findall(r"return 200 '(.+)';", text)
    problems = re.findall(r"""^ {8}\S+ '("code".+)';$""", text, re.MULTILINE)

    outcomes = [json.loads(whole.replace("$problem", one.replace("\\'", "'"))) for one in problems]

    assert len(outcomes) == 8
    for outcome in outcomes:
        (issue,) = OperationOutcome.model_validate(outcome).issue
        assert issue.code in ISSUE_TYPES
        assert issue.details.text
        assert issue.diagnostics
