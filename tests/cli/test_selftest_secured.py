"""The selftest against a server that asks who calls."""

import json
import re
import shlex
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import jwt
import pytest
from cryptography.hazmat.primitives import serialization as how

from cds_service import cli
from cds_service.cli.selftesting.batch import BATCH
from cds_service.cli.selftesting.hooks import DISCOVERY
from cds_service.cli.selftesting.published import HEALTH
from tests.access.tokens import client, key_set, of_server, rsa_key, server
from tests.replicas import free_port
from tests.served import served

from .test_selftest import Printed, counts

SIGN = """
import sys, time, uuid, jwt
now = int(time.time())
claims = {"iss": sys.argv[2], "sub": sys.argv[2], "aud": sys.argv[3], "iat": now, "exp": now + 60,
          "jti": str(uuid.uuid4())}
print(jwt.encode(claims, open(sys.argv[1]).read(), "RS384", headers={"kid": "rsa"}))
"""


def listed(**changes: object) -> dict[str, object]:
    """An issuer as the file has it."""
    made = json.loads(
        (client if changes["use"] == "client" else server)(**changes).model_dump_json()
    )
    return {name: value for name, value in made.items() if value is not None} | {
        "keys": key_set()()
    }


@pytest.fixture
def secured(tmp_path: Path) -> Iterator[str]:
    """The address of a service that lists a client and a server, both with every role."""
    port, roles = free_port(), ["call", "audit", "administer"]
    issuers = [listed(use="client", roles=roles), listed(use="server", roles=roles)]
    at = tmp_path / "issuers.json"
    at.write_text(json.dumps({"issuers": issuers}))
    settings = {"CDS_ISSUERS_FILE": str(at), "CDS_PUBLIC_URL": f"http://127.0.0.1:{port}"}
    with served(tmp_path, "--port", str(port), **settings) as found:
        yield found.address


def signed(**changes: object) -> str:
    now = int(time.time())
    claims = of_server(iat=now, exp=now + 300, scope="cds/call cds/audit", **changes)
    return jwt.encode(claims, rsa_key(), "RS384", headers={"kid": "rsa"})


def test_a_command_signs_a_token_for_each_call(
    secured: str, tmp_path: Path, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = tmp_path / "client.pem"
    key.write_bytes(
        rsa_key().private_bytes(how.Encoding.PEM, how.PrivateFormat.PKCS8, how.NoEncryption())
    )
    script = tmp_path / "sign.py"
    script.write_text(SIGN)
    issuer = client().issuer
    # Each call starts an interpreter: a few checks are enough.
    monkeypatch.setattr("cds_service.cli.selftest.GROUPS", (HEALTH, BATCH, DISCOVERY))
    command = shlex.join([sys.executable, str(script), str(key), issuer])
    code = cli.main(["selftest", "--base-url", f"{secured}/", "--token-command", command])
    out = capsys.readouterr().out
    passed, failed, skipped = counts(out)
    assert (code, failed, skipped) == (0, 0, 0), out
    assert passed >= 8


def test_with_an_access_token_every_check_is_made_and_may_write(
    secured: str, tmp_path: Path, capsys: Printed
) -> None:
    file = tmp_path / "token"
    file.write_text(signed(aud=secured) + "\n")
    code = cli.main(["selftest", "--base-url", secured, "--token-file", str(file), "--yes"])
    out = capsys.readouterr().out
    passed, failed, skipped = counts(out)
    assert (code, failed, skipped) == (0, 0, 0), out
    assert passed >= 90
    assert file.read_text().strip() not in out


def test_without_a_token_only_what_is_open_is_checked(secured: str, capsys: Printed) -> None:
    code = cli.main(["selftest", "--base-url", secured, "--yes"])
    passed, failed, _ = counts(out := capsys.readouterr().out)
    assert (code, failed) == (0, 0), out
    assert passed >= 20
    assert "not permitted to this caller (401)" in out


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--token-file", "/nowhere/token", "no token: /nowhere/token cannot be read"),
        ("--token-command", "false", "no token: false failed"),
        ("--token-command", "echo two words", "no token: echo gives something else"),
        ("--token-command", "/nowhere/sign", "no token: /nowhere/sign failed"),
        ("--token-command", " ", "--token-command needs a command."),
    ],
)
def test_whoever_gives_no_token_is_told_why(
    option: str, value: str, said: str, capsys: Printed
) -> None:
    at = f"http://127.0.0.1:{free_port()}"
    assert cli.main(["selftest", "--base-url", at, option, value]) == 2
    assert re.search(re.escape(said), capsys.readouterr().err)
