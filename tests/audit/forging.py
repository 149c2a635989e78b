"""A small invented log, and what a forger may do to a text; see `forged_entries` and
`forged_growth`. `python -m tests.audit.forging` writes vectors/proofs.json again."""

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.note import Signer
from cds_service.audit.proof import ConsistencyProof, InclusionProof
from cds_service.audit.tree import consistency_path, inclusion_path, leaf_hash, root

FILE = Path(__file__).parent / "vectors" / "proofs.json"
LOG, OTHER = "log.example/marrow-vale", "log.example/upper-brenna"


def secret(number: int) -> Ed25519PrivateKey:
    return Ed25519PrivateKey.from_private_bytes(bytes([number]) * 32)


SIGNER = Signer(LOG, [secret(1)])
STRANGER = Signer(LOG, [secret(2)])
"""The right name, another key."""
OTHER_LOG = Signer(OTHER, [secret(3)])
KEY, OTHER_KEY = str(SIGNER.verifier_keys[0]), str(OTHER_LOG.verifier_keys[0])

REQUEST, RESPONSE, REST, SALT = (
    b'{"weight": 3.40}',
    b'{"dose": 1}',
    "as of today ½",
    bytes(range(32)),
)


def commitment(request: bytes = REQUEST, salt: bytes = SALT) -> str:
    parts = (sha256(part).digest() for part in (request, RESPONSE, REST.encode()))
    return sha256(b"cds-service payload 2\n" + salt + b"".join(parts)).hexdigest()


def leaf(number: int) -> str:
    return json.dumps({"n": number, "commitment": commitment(REQUEST, bytes([number]) * 32)})


LEAVES = tuple(leaf(number) for number in range(24))


def hashes(leaves: Sequence[str]) -> list[bytes]:
    return [leaf_hash(text.encode()) for text in leaves]


@dataclass(frozen=True)
class Entry:
    """What goes into an inclusion proof; `sealed` gives the texts."""

    index: int
    path: tuple[bytes, ...]
    checkpoint: Checkpoint
    leaf: str
    signer: Signer = SIGNER
    extra: bytes = b""

    @classmethod
    def of(cls, index: int, size: int, leaves: Sequence[str] = LEAVES) -> "Entry":
        known = hashes(leaves)
        path = inclusion_path(index, size, lambda first, n: root(known[first : first + n]))
        return cls(index, path, Checkpoint(LOG, size, root(known[:size])), leaves[index])

    def but(self, **changes: object) -> "Entry":
        return replace(self, **changes)  # type: ignore[arg-type]

    def signed(self, **changes: object) -> "Entry":
        """With another checkpoint, signed all the same: the log itself cheats."""
        return self.but(checkpoint=replace(self.checkpoint, **changes))  # type: ignore[arg-type]

    def sealed(self, key: str = KEY) -> dict[str, str]:
        note = self.signer.sign(self.checkpoint.text())
        proof = InclusionProof(self.index, self.path, note, self.extra).text()
        return {"key": key, "proof": proof, "leaf": self.leaf}


@dataclass(frozen=True)
class Growth:
    """What goes into a consistency proof and its two checkpoints."""

    old: Checkpoint
    new: Checkpoint
    path: tuple[bytes, ...]
    signers: tuple[Signer, Signer] = (SIGNER, SIGNER)

    @classmethod
    def of(cls, old: int, new: int, before: Sequence[str] = LEAVES) -> "Growth":
        """`before`: what the old log held, when not what the new one does."""
        known = hashes(LEAVES)
        path = consistency_path(old, new, lambda first, n: root(known[first : first + n]))
        return cls(
            Checkpoint(LOG, old, root(hashes(before)[:old])),
            Checkpoint(LOG, new, root(known[:new])),
            path,
        )

    def but(self, **changes: object) -> "Growth":
        return replace(self, **changes)  # type: ignore[arg-type]

    def sealed(self, key: str = KEY) -> dict[str, str]:
        notes = [
            signer.sign(checkpoint.text())
            for signer, checkpoint in zip(self.signers, (self.old, self.new), strict=True)
        ]
        proof = ConsistencyProof(self.old.size, self.new.size, self.path).text()
        return {"key": key, "old": notes[0], "new": notes[1], "proof": proof}


def flipped(value: bytes, bit: int = 0) -> bytes:
    return bytes([value[0] ^ (1 << bit), *value[1:]])


def b64(value: bytes) -> str:
    return base64.b64encode(value).decode()


def vectors() -> dict[str, object]:
    from tests.audit.forged_entries import FORGED_ENTRIES, GOOD_ENTRIES
    from tests.audit.forged_growth import FORGED_GROWTH, GOOD_GROWTH

    return {
        "about": "Proofs of an invented log. An entry is shown by key, proof and leaf, growth by "
        "key, old and new checkpoint and proof. Each forged one is named by what is wrong.",
        "good": {"entry": GOOD_ENTRIES, "growth": GOOD_GROWTH},
        "forged": {"entry": FORGED_ENTRIES, "growth": FORGED_GROWTH},
    }


if __name__ == "__main__":
    FILE.write_text(json.dumps(vectors(), indent=1, ensure_ascii=True) + "\n", encoding="ascii")
