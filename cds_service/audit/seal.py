"""Encryption of payloads at rest: AES-256-GCM (NIST SP 800-38D), a fresh key for each record.

The record's key is wrapped by a key-encryption key that is kept in a file outside the database,
and stands beside the payload. Erasing removes it with the payload: whoever finds the erased bytes
in an old page or a backup of the disk's blocks cannot read them.

What is searched for by name (patient, decision) is stored as HMAC-SHA256 under a key that comes
from the key-encryption key (HKDF, RFC 5869): equal names can be found, no name can be read.
"""

import base64
import hmac
import os
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple, Protocol

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from cds_service.audit.leaf import Payload
from cds_service.errors import LogUnavailable, SettingsError

KEY = 32
"""Bytes of every key here."""
_NONCE = 12
_ID = 8
_PARTS = tuple(bytes(11) + bytes([number]) for number in range(4))
"""Nonces of the four parts of a payload; a record's key is never used for another record."""


class Sealed(NamedTuple):
    """A payload as it is stored; without a wrapped key it is stored as it is."""

    wrapped_key: bytes | None
    salt: bytes
    rest: bytes
    request: bytes
    response: bytes


class Sealer(Protocol):
    """How payloads are stored."""

    def seal(self, leaf: bytes, payload: Payload) -> Sealed:
        """The payload as it is stored, bound to its leaf."""
        ...

    def open(self, leaf: bytes, sealed: Sealed) -> Payload:
        """The payload again; raises LogUnavailable when its key is not there, or does not fit."""
        ...

    def knows(self, wrapped_key: bytes | None) -> bool:
        """Whether the key is given that this key of a record is wrapped by (None: it is plain)."""
        ...

    def name(self, text: str) -> str:
        """A name that is searched for, as it is stored."""
        ...

    def names(self, text: str) -> tuple[str, ...]:
        """Every way in which the name may have been stored."""
        ...


class Plain:
    """Payloads as they are."""

    def seal(self, leaf: bytes, payload: Payload) -> Sealed:  # noqa: ARG002
        """See Sealer."""
        return Sealed(None, payload.salt, payload.rest, payload.request, payload.response)

    def open(self, leaf: bytes, sealed: Sealed) -> Payload:  # noqa: ARG002
        """See Sealer."""
        if sealed.wrapped_key is not None:
            raise LogUnavailable("the payload is encrypted: set CDS_PAYLOAD_KEY_FILE")
        return Payload(sealed.salt, sealed.request, sealed.response, sealed.rest)

    def knows(self, wrapped_key: bytes | None) -> bool:
        """See Sealer."""
        return wrapped_key is None

    def name(self, text: str) -> str:
        """See Sealer. What a caller names may have a NUL, and not every database takes one."""
        return text.replace("\0", "\ufffd")

    def names(self, text: str) -> tuple[str, ...]:
        """See Sealer."""
        return (self.name(text),)


class _Key:
    """One key-encryption key with what is made from it."""

    def __init__(self, key: bytes) -> None:
        self.id = _derived(key, b"id")[:_ID]
        self.wrapping = AESGCM(_derived(key, b"wrapping"))
        self.blinding = _derived(key, b"names")


class Encrypted:
    """Payloads encrypted under the last of the key-encryption keys; all of them can still open.

    What was stored before encryption was switched on is read as it is. A wrapped key has a random
    nonce: one key-encryption key is good for 2^32 records (SP 800-38D, 8.3).
    """

    def __init__(self, keys: Sequence[bytes]) -> None:
        known = [_Key(key) for key in keys]
        self._newest = known[-1]
        self._keys = {key.id: key for key in known}

    def seal(self, leaf: bytes, payload: Payload) -> Sealed:
        """See Sealer."""
        fresh = os.urandom(KEY + _NONCE)
        key, nonce = fresh[:KEY], fresh[KEY:]
        bound = sha256(leaf).digest()
        wrapped = self._newest.wrapping.encrypt(nonce, key, bound)
        cipher = AESGCM(key)
        parts = (payload.salt, payload.rest, payload.request, payload.response)
        sealed = (
            cipher.encrypt(nonce, part, bound) for nonce, part in zip(_PARTS, parts, strict=True)
        )
        return Sealed(self._newest.id + nonce + wrapped, *sealed)

    def open(self, leaf: bytes, sealed: Sealed) -> Payload:
        """See Sealer."""
        wrapped, *parts = sealed
        if wrapped is None:
            return Plain().open(leaf, sealed)
        known = self._keys.get(wrapped[:_ID])
        if known is None:
            raise LogUnavailable("the payload is encrypted under a key that is not given")
        bound = sha256(leaf).digest()
        try:
            nonce = wrapped[_ID : _ID + _NONCE]
            cipher = AESGCM(known.wrapping.decrypt(nonce, wrapped[_ID + _NONCE :], bound))
            salt, rest, request, response = (
                cipher.decrypt(nonce, part, bound)
                for nonce, part in zip(_PARTS, parts, strict=True)
            )
        except (InvalidTag, ValueError) as error:
            raise LogUnavailable("the encrypted payload was altered") from error
        return Payload(salt, request, response, rest)

    def knows(self, wrapped_key: bytes | None) -> bool:
        """See Sealer."""
        return wrapped_key is None or wrapped_key[:_ID] in self._keys

    def name(self, text: str) -> str:
        """See Sealer."""
        return _blind(self._newest, text)

    def names(self, text: str) -> tuple[str, ...]:
        """See Sealer."""
        return (Plain().name(text), *(_blind(key, text) for key in self._keys.values()))


def load_sealer(paths: Sequence[Path]) -> Sealer:
    """The sealer with the key-encryption keys of these files, the newest last; none: Plain.

    A file holds 32 random bytes in base64, as `openssl rand -base64 32` writes them, and is its
    owner's only. Raises SettingsError with a finding for each file that cannot be used.
    """
    keys, findings = [], []
    for path in paths:
        try:
            keys.append(_load(path))
        except OSError as error:
            findings.append(f"{path}: cannot be read: {error.strerror}")
        except ValueError as error:
            findings.append(f"{path}: {error}")
    if findings:
        raise SettingsError(tuple(findings))
    return Encrypted(keys) if keys else Plain()


def _load(path: Path) -> bytes:
    with path.open("rb") as file:
        if os.fstat(file.fileno()).st_mode & 0o077:
            raise ValueError("others may use this key: chmod 600")
        text = file.read(1000)
    try:
        key = base64.b64decode(text.strip(), validate=True)
    except ValueError:
        key = b""
    if len(key) != KEY:
        # What the file holds is not told: it may be a key with a slip in it.
        raise ValueError(f"should hold {KEY} random bytes in base64")
    return key


def _derived(key: bytes, purpose: bytes) -> bytes:
    return HKDF(SHA256(), KEY, None, b"cds-service payload " + purpose).derive(key)


def _blind(key: _Key, text: str) -> str:
    """The name under this key; an empty one says nothing and stays as it is."""
    return hmac.digest(key.blinding, text.encode(), "sha256").hex() if text else ""
