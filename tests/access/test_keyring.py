"""The keys of an issuer: which can verify, and how long they are kept."""

from pathlib import Path
from typing import Any

import orjson
import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from cds_service.access.fetching import Fetched
from cds_service.access.keyring import NOT_BEFORE, Keyring, parse
from cds_service.errors import NotAllowed, SettingsError

from .tokens import client, ec_key, key_set, public, rsa_key

WHERE = "https://records.marrow-vale.example/jwks.json"
WRONG = {
    "another curve": public(ec_key("p256", ec.SECP256R1), "x"),
    "a short RSA key": public(rsa_key("short", 1024), "x"),
    "for encryption": public(ec_key(), "x", use="enc"),
    "for another algorithm": public(rsa_key(), "x", alg="RS256"),
    "not for verifying": public(ec_key(), "x", key_ops=["encrypt"]),
    "a secret": {"kty": "oct", "k": "AAAA", "kid": "x"},
    "without an id": {name: part for name, part in public(ec_key(), "x").items() if name != "kid"},
    "not on the curve": public(ec_key(), "x") | {"x": "AAAA"},
    "no key at all": "x",
}


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
def test_what_cannot_verify_is_passed_over(wrong: Any) -> None:
    assert set(parse(orjson.dumps({"keys": [wrong, public(ec_key(), "good")]}))) == {
        ("good", "ES384")
    }
    with pytest.raises(SettingsError, match="no public key"):
        Keyring(client(keys={"keys": [wrong]}))


def test_a_private_key_is_not_taken_for_a_public_one() -> None:
    private = public(ec_key(), "x") | {"d": "AAAA"}

    assert parse(orjson.dumps({"keys": [private]})) == {}


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{}", b'{"keys": {}}', b"\xff", b'{"keys":[]}' + b" " * 300_000],
    ids=["nothing", "list", "none", "object", "bytes", "large"],
)
def test_what_is_no_key_set_is_refused(body: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse(body)


def test_two_keys_of_one_id_are_refused() -> None:
    twice = {"keys": [public(ec_key(), "x"), public(ec_key("other"), "x")]}

    with pytest.raises(ValueError, match="one id"):
        parse(orjson.dumps(twice))


def test_keys_in_a_file(tmp_path: Path) -> None:
    file = tmp_path / "keys.json"
    issuer = client(keys=None, keys_file=file)
    with pytest.raises(SettingsError, match="cannot be read"):
        Keyring(issuer)
    file.write_bytes(orjson.dumps(key_set()()))

    assert Keyring(issuer).key("rsa", "RS384").key_size == 2048


class Address:
    """Answers with what it is given, by a clock of its own."""

    def __init__(self, keep: float = 600) -> None:
        self.time, self.asked, self.keep = 1000.0, 0, keep
        self.body: bytes | None = orjson.dumps(key_set()())

    def get(self, url: str) -> Fetched:
        assert url == WHERE
        self.asked += 1
        if self.body is None:
            raise OSError("no route")
        return Fetched(self.body, self.keep)

    def ring(self) -> Keyring:
        return Keyring(client(keys=None, keys_url=WHERE), self.get, lambda: self.time)


def test_keys_are_fetched_when_needed_and_kept_as_long_as_they_may() -> None:
    address = Address(keep=100)
    ring = address.ring()
    assert address.asked == 0

    for _ in range(3):
        ring.key("ec", "ES384")
    address.time += 99
    ring.key("rsa", "RS384")
    assert address.asked == 1
    address.time += 1
    ring.key("ec", "ES384")
    assert address.asked == 2


def test_a_new_key_is_found_but_unknown_ones_do_not_flood_the_address() -> None:
    address = Address()
    ring = address.ring()
    ring.key("ec", "ES384")
    address.body = orjson.dumps({"keys": [public(ec_key("new"), "new")]})

    for _ in range(20):
        with pytest.raises(NotAllowed):
            ring.key("new", "ES384")
    assert address.asked == 1
    address.time += NOT_BEFORE
    ring.key("new", "ES384")
    assert address.asked == 2
    # A key that the issuer has taken back is not taken any more.
    with pytest.raises(NotAllowed):
        ring.key("ec", "ES384")


def test_while_the_address_does_not_answer_what_may_still_be_kept_is_used() -> None:
    address = Address(keep=100)
    ring = address.ring()
    ring.key("ec", "ES384")
    address.body = None
    address.time += 60

    with pytest.raises(NotAllowed):
        ring.key("other", "ES384")
    ring.key("ec", "ES384")
    address.time += 40
    with pytest.raises(NotAllowed, match="cannot be had"):
        ring.key("ec", "ES384")
    asked = address.asked
    with pytest.raises(NotAllowed):
        ring.key("ec", "ES384")
    assert address.asked == asked
    address.body = orjson.dumps(key_set()())
    address.time += NOT_BEFORE
    ring.key("ec", "ES384")


def test_an_answer_that_is_no_key_set_changes_nothing() -> None:
    address = Address()
    ring = address.ring()
    ring.key("ec", "ES384")
    address.body = b"<html>"
    address.time += 60

    with pytest.raises(NotAllowed):
        ring.key("other", "ES384")
    ring.key("ec", "ES384")
