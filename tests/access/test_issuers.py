"""The file of issuers: what may stand in it, and everything that is wrong told at once."""

import json
from pathlib import Path
from typing import Any

import pytest

from cds_service.access.issuers import load_issuers
from cds_service.access.roles import Role
from cds_service.errors import SettingsError

GOOD: dict[str, Any] = {
    "issuer": "https://records.marrow-vale.example",
    "use": "client",
    "keys_url": "https://records.marrow-vale.example/jwks.json",
    "tenant": "marrow-vale",
    "caller": "tolm-ford",
    "roles": ["call"],
}


def written(tmp_path: Path, *issuers: dict[str, Any], **more: Any) -> Path:
    path = tmp_path / "issuers.json"
    path.write_text(json.dumps({"issuers": issuers, **more}), encoding="utf-8")
    return path


def test_an_issuer_is_read(tmp_path: Path) -> None:
    (found,) = load_issuers(written(tmp_path, GOOD))

    assert (found.tenant, found.caller, found.roles) == ("marrow-vale", "tolm-ford", {Role.CALL})


def test_a_file_of_keys_lies_beside_the_file_that_names_it(tmp_path: Path) -> None:
    (found,) = load_issuers(written(tmp_path, GOOD | {"keys_url": None, "keys_file": "keys.json"}))

    assert found.keys_file == tmp_path / "keys.json"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"keys_url": "http://records.marrow-vale.example/jwks.json"}, "keys_url"),
        ({"keys_url": "https://user@records.marrow-vale.example/"}, "keys_url"),
        ({"keys_url": "file:///etc/passwd"}, "keys_url"),
        ({"keys": {"keys": []}}, "one of keys"),
        ({"keys_url": None}, "one of keys"),
        ({"use": "both"}, "use"),
        ({"caller": None}, "caller"),
        ({"caller": "Mother of Ilo"}, "caller"),
        ({"tenant": ""}, "tenant"),
        ({"roles": []}, "roles"),
        ({"roles": ["everything"]}, "roles"),
        ({"token_endpoint": "https://login.example/token"}, "token_endpoint"),
        ({"algorithm": "none"}, "algorithm"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, changes: dict[str, Any], told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        load_issuers(written(tmp_path, GOOD | changes))


def test_everything_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as wrong:
        load_issuers(written(tmp_path, GOOD | {"tenant": ""}, GOOD | {"use": "x"}))

    assert len(wrong.value.findings) == 2
    assert "issuers[0].tenant" in wrong.value.findings[0]


def test_an_issuer_stands_there_once(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="named twice"):
        load_issuers(written(tmp_path, GOOD, GOOD))


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        load_issuers(tmp_path / "none.json")
    (tmp_path / "issuers.json").write_text("issuers: []", encoding="utf-8")
    with pytest.raises(SettingsError, match="JSON"):
        load_issuers(tmp_path / "issuers.json")
    with pytest.raises(SettingsError, match="issuers"):
        load_issuers(written(tmp_path))
