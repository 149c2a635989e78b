"""Small logs in memory, as pieces and as an exported file, and what signs them."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from cds_service.audit.checkpoint import Checkpoint
from cds_service.audit.export import Line, Note, Piece, written
from cds_service.audit.leaf import leaf_of, payload_of
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.record import ERASURE, RECOMMENDATION, Entry, Origin, digest
from cds_service.audit.tree import leaf_hash, root

ORIGIN = "log.example/marrow-vale"
BEGUN = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def signer(number: int = 1, name: str = ORIGIN) -> Signer:
    return Signer(name, [Ed25519PrivateKey.from_private_bytes(bytes([number]) * 32)])


VERIFIER = Verifier(signer().verifier_keys)


def entry(number: int, *, kind: str = RECOMMENDATION, about: int | None = None) -> Entry:
    at = BEGUN + timedelta(minutes=number)
    request, response = f'{{"number":{number}}}'.encode(), f'{{"answer":"é {number}"}}'.encode()
    return Entry(
        request=request,
        response=response,
        request_sha256=digest(request),
        response_sha256=digest(response),
        as_of=at,
        recorded=at,
        decision_id=f"decision-{number}",
        protocol="sick-young-infant|2024.1",
        content_digest="c" * 64,
        code_version="test",
        language="en",
        strict=False,
        origin=Origin("marrow-vale", "desk"),
        kind=kind,
        about=about,
        patient=f"Patient/invented-{number}",
        outcome="success",
        classes=("infection-unlikely",),
    )


def piece(index: int, made: Entry | None = None) -> Piece:
    made = made or entry(index)
    payload = payload_of(made, salt=index.to_bytes(32, "big"))
    return Piece(index, leaf_of(made, payload), payload)


def pieces(size: int, erased: Sequence[int] = ()) -> list[Piece]:
    """A log of `size` entries, and then one erasure for each of `erased`."""
    found = [piece(index) for index in range(size)]
    for about in erased:
        found[about] = Piece(about, found[about].leaf, None)
        erasure = entry(len(found), kind=ERASURE, about=about)
        found.append(piece(len(found), erasure))
    return found


def checkpoint(found: Iterable[Piece], origin: str = ORIGIN) -> Checkpoint:
    hashes = [leaf_hash(each.leaf) for each in found]
    return Checkpoint(origin, len(hashes), root(hashes))


def note(found: Iterable[Piece], by: Signer | None = None) -> str:
    by = by or signer()
    return by.sign(checkpoint(found, by.verifier_keys[0].name).text())


def exported(found: Sequence[Piece], by: Signer | None = None) -> bytes:
    lines: list[Line] = [*found, Note(note(found, by))]
    return b"".join(map(written, lines))
