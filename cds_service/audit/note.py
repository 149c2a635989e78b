"""Signed notes with Ed25519 (C2SP signed-note): a text, an empty line, signature lines.

The text of a key that verifies, `name+key id+base64(0x01 || public key)`, is not in that
document; it is the form in which such keys are passed around since the Go checksum database.
Private keys are in `audit.keys`.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from cds_service.audit.lines import is_name, is_plain, plain, unbase64
from cds_service.errors import LogProofError

ED25519 = b"\x01"
"""The byte of this type of signature."""
MOST_SIGNATURES = 64
"""The spec asks for at least 16."""
_DASH = "\u2014 "
_KEY = re.compile(r"([^+]+)\+([0-9a-f]{8})\+([A-Za-z0-9+/=]+)")


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """A public key with the name it signs under, usually the log's origin."""

    name: str
    public: bytes
    """32 bytes (RFC 8032)."""

    @property
    def id(self) -> bytes:
        """SHA-256(name || 0x0A || 0x01 || public key)[:4], the key ID of the spec."""
        return sha256(self.name.encode() + b"\n" + ED25519 + self.public).digest()[:4]

    def __str__(self) -> str:
        return f"{self.name}+{self.id.hex()}+{base64.b64encode(ED25519 + self.public).decode()}"

    @classmethod
    def parse(cls, text: str) -> VerifierKey:
        """Read the text form; raises LogProofError.

        The key of the Go checksum database, from memory:

        >>> text = "sum.golang.org+033de0ae+Ac4zctda0e5eza+HJyk9SxEdh+s3Ux18htTTAD8OuAn8"
        >>> str(VerifierKey.parse(text)) == text
        True
        """
        plain(text, "key")
        found = _KEY.fullmatch(text)
        if not found or not is_name(found[1]):
            raise LogProofError("a key to verify with has the form name+id+base64")
        encoded = unbase64(found[3])
        if len(encoded) != 33 or encoded[:1] != ED25519:
            raise LogProofError("a key to verify with is not an Ed25519 key")
        key = cls(found[1], encoded[1:])
        if key.id.hex() != found[2]:
            raise LogProofError("a key to verify with does not match its own id")
        return key

    def verify(self, signature: bytes, text: str) -> bool:
        """Whether this key signed the text."""
        try:
            Ed25519PublicKey.from_public_bytes(self.public).verify(signature, text.encode())
        except InvalidSignature:
            return False
        return True


class Signer:
    """Signs notes under one name with each of its keys, so that keys can be replaced.

    During the overlap those who know only the old key and those who know only the new one
    both accept the notes. Raises ValueError for a name that no note may have, or for no key.
    """

    def __init__(self, name: str, keys: Sequence[Ed25519PrivateKey]) -> None:
        if not is_name(name) or not keys:
            raise ValueError("a signer has a name without spaces and '+', and a key")
        self._keys = tuple(keys)
        self.verifier_keys = tuple(
            VerifierKey(name, key.public_key().public_bytes_raw()) for key in keys
        )
        """What others need to verify: publish them."""

    def sign(self, text: str) -> str:
        """The note: the text with a signature line of each key.

        Raises ValueError for a text that cannot be signed: it ends with a newline and has no
        other control characters.
        """
        if not text.endswith("\n") or not is_plain(text):
            raise ValueError("a note ends with a newline and has no other control characters")
        signed = text.encode()
        lines = (
            f"{_DASH}{known.name} {base64.b64encode(known.id + key.sign(signed)).decode()}\n"
            for known, key in zip(self.verifier_keys, self._keys, strict=True)
        )
        return f"{text}\n{''.join(lines)}"


class Verifier:
    """Opens notes that at least one of the known keys signed."""

    def __init__(self, keys: Sequence[VerifierKey]) -> None:
        self._keys = {(key.name, key.id): key for key in keys}

    def open(self, note: str) -> tuple[str, frozenset[str]]:
        """The text of the note, and the names of the known keys that signed it.

        Signatures of unknown keys are ignored. Raises LogProofError when the note is malformed,
        when a signature under a known key is wrong, or when there is none.
        """
        text, signatures = split(note)
        signers = set()
        for name, key_id, signature in signatures:
            key = self._keys.get((name, key_id))
            if key is None:
                continue
            if not key.verify(signature, text):
                raise LogProofError(f"the signature of {name} is wrong")
            signers.add(name)
        if not signers:
            raise LogProofError("no known key signed this")
        return text, frozenset(signers)


def split(note: str) -> tuple[str, list[tuple[str, bytes, bytes]]]:
    """The text, and each signature's key name, key ID and bytes; none of it is verified.

    Raises LogProofError when it is no signed note.
    """
    plain(note, "note")
    end = note.rfind("\n\n") + 1
    lines = note[end + 1 :].split("\n")
    if not end or lines.pop() or not lines or len(lines) > MOST_SIGNATURES:
        raise LogProofError("a note is a text, an empty line and signature lines")
    return note[:end], [_signature(line) for line in lines]


def _signature(line: str) -> tuple[str, bytes, bytes]:
    name, space, encoded = line.removeprefix(_DASH).partition(" ")
    if not line.startswith(_DASH) or not is_name(name) or not space:
        raise LogProofError("a signature line is a dash, a name and base64")
    signature = unbase64(encoded)
    if len(signature) < 5:
        raise LogProofError("a signature is longer than its key ID")
    return name, signature[:4], signature[4:]
