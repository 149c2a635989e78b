"""The example that signs a token: what it makes is taken."""

import json
import subprocess
import sys
import time
from pathlib import Path

from cds_service.access.issuers import load_issuers
from cds_service.access.token import Access

from .tokens import ADDRESS, APPLY, Remembered

SCRIPT = Path(__file__).parents[2] / "examples" / "sign_token.py"
ISSUER = "https://records.example"


def run(folder: Path, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), *arguments],
        cwd=folder, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.strip()


def test_the_token_of_the_example_is_taken(tmp_path: Path) -> None:
    (tmp_path / "keys.json").write_text(run(tmp_path, "--make", "client.pem"), encoding="utf-8")
    issuer = {
        "issuer": ISSUER, "use": "client", "keys_file": "keys.json", "tenant": "my-district",
        "caller": "my-clinic", "roles": ["call"],
    }  # fmt: skip
    (tmp_path / "issuers.json").write_text(json.dumps({"issuers": [issuer]}), encoding="utf-8")
    access = Access(load_issuers(tmp_path / "issuers.json"), ADDRESS, Remembered(), clock=time.time)

    caller = access.caller(run(tmp_path, "client.pem", ISSUER, f"{ADDRESS}{APPLY}"), APPLY)

    assert caller.origin.caller == "my-clinic"
    assert (tmp_path / "client.pem").stat().st_mode & 0o077 == 0
