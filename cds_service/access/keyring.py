"""The public keys of an issuer: from a JWK Set in the settings, in a file, or at its address.

What was fetched is kept no longer than its Cache-Control says (RFC 9111, 5.2.2.1), and never
longer than a day; an unknown key id fetches again, but not more often than every `NOT_BEFORE`
seconds. When the address does not answer in time, what was fetched before counts as long as it may
be kept; then its tokens are refused.
"""

import threading
import time
from collections.abc import Callable
from typing import Any

import orjson
from cryptography.hazmat.primitives.asymmetric.ec import SECP384R1, EllipticCurvePublicKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
from jwt import PyJWK, PyJWTError

from cds_service.access.fetching import LARGEST, Fetched, fetch
from cds_service.access.issuers import Issuer
from cds_service.errors import NotAllowed, SettingsError

NOT_BEFORE = 30.0
"""Seconds between two attempts to fetch."""

Key = RSAPublicKey | EllipticCurvePublicKey


def parse(body: bytes) -> dict[tuple[str, str], Key]:
    """The keys that may verify, by key id and algorithm; raises ValueError when it is no JWK Set.

    A key without an id, of another kind, too short, or not for signing is passed over.
    """
    if len(body) > LARGEST:
        raise ValueError("too large")
    said = orjson.loads(body)
    if not isinstance(said, dict) or not isinstance(said.get("keys"), list):
        raise ValueError("not a JWK Set")
    keys: dict[tuple[str, str], Key] = {}
    for each in said["keys"]:
        if (found := _usable(each)) is not None:
            name, key = found
            if name in keys:
                raise ValueError("two keys with one id")
            keys[name] = key
    return keys


def _usable(jwk: Any) -> tuple[tuple[str, str], Key] | None:
    if not isinstance(jwk, dict) or not isinstance(kid := jwk.get("kid"), str):
        return None
    kind, uses = jwk.get("kty"), jwk.get("key_ops", ["verify"])
    if not isinstance(kind, str) or not isinstance(uses, list):
        return None
    algorithm = {"RSA": "RS384", "EC": "ES384"}.get(kind)
    if (
        algorithm is None
        or jwk.get("use", "sig") != "sig"
        or jwk.get("alg", algorithm) != algorithm
    ):
        return None
    if "verify" not in uses or "d" in jwk:
        return None
    try:
        key = PyJWK(jwk, algorithm).key
    except (PyJWTError, ValueError, TypeError):
        return None
    if isinstance(key, RSAPublicKey) and key.key_size >= 2048:
        return (kid, algorithm), key
    if isinstance(key, EllipticCurvePublicKey) and isinstance(key.curve, SECP384R1):
        return (kid, algorithm), key
    return None


class Keyring:
    """The keys of one issuer, fetched when they are needed. Threads may share it."""

    def __init__(
        self,
        issuer: Issuer,
        get: Callable[[str], Fetched] = fetch,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._url, self._get, self._clock = issuer.keys_url, get, clock
        self._keys: dict[tuple[str, str], Key] = {}
        self._until = self._tried = float("-inf")
        self._one_at_a_time = threading.Lock()
        if self._url is None:
            self._keys, self._until = given_keys(issuer), float("inf")

    def key(self, kid: str, algorithm: str) -> Key:
        """The key of this id; raises NotAllowed."""
        found = self._keys.get((kid, algorithm)) if self._clock() < self._until else None
        if found is None and self._url is not None:
            self._renew(self._url)
            found = self._keys.get((kid, algorithm))
        if found is None:
            raise NotAllowed("the issuer has no such key")
        return found

    def _renew(self, url: str) -> None:
        with self._one_at_a_time:
            now = self._clock()
            if now - self._tried < NOT_BEFORE:
                if now >= self._until:
                    raise NotAllowed("the issuer's keys are too old and cannot be had now")
                return
            self._tried = now
            try:
                body, keep = self._get(url)
                self._keys, self._until = parse(body), now + max(keep, NOT_BEFORE)
            except (OSError, ValueError) as error:
                if now >= self._until:
                    raise NotAllowed("the issuer's keys cannot be had") from error


def given_keys(issuer: Issuer) -> dict[tuple[str, str], Key]:
    """The keys that the operator gave; raises SettingsError when none of them can verify."""
    try:
        keys = parse(
            orjson.dumps(issuer.keys) if issuer.keys_file is None else issuer.keys_file.read_bytes()
        )
    except OSError as error:
        raise SettingsError((f"{issuer.keys_file}: cannot be read: {error.strerror}",)) from error
    except ValueError as error:
        raise SettingsError((f"the keys of {issuer.issuer}: {error}",)) from None
    if not keys:
        what = "no public key for RS384 (2048 bits or more) or ES384, with a kid"
        raise SettingsError((f"the keys of {issuer.issuer}: {what}",))
    return keys
