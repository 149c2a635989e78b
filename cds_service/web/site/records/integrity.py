"""Whether an entry is what was recorded, verified while the page is made.

Three links of one chain: request and answer belong to the leaf, the leaf is in the tree, and the
root of the tree is signed. This is the service vouching for itself; the page says how to verify
the same without it.
"""

from typing import NamedTuple

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.leaf import belongs
from cds_service.audit.note import Verifier, VerifierKey
from cds_service.audit.proof import InclusionProof
from cds_service.audit.store import Logged, Store
from cds_service.audit.tree import leaf_hash
from cds_service.errors import LogProofError, LogUnavailable


class Integrity(NamedTuple):
    """What was found."""

    payload: bool | None
    """Whether leaf and payload belong together; None: the payload was erased."""
    signed: bool
    included: bool
    checkpoint: Checkpoint | None
    """None: it could not be opened."""
    hashed: bytes
    """The hash of the leaf."""
    steps: int
    """Hashes between the leaf and the root."""
    why: str
    """What failed, in the words of the verifier; "" when nothing did."""

    @property
    def sound(self) -> bool:
        """Whether nothing failed."""
        return self.payload is not False and self.signed and self.included


async def integrity(store: Store, logged: Logged) -> Integrity:
    """Verify one entry against the checkpoint of this moment; raises LogUnavailable."""
    payload = None if logged.payload is None else belongs(logged.leaf, logged.payload)
    why = "request and answer are not those that the record names" if payload is False else ""
    hashed, note = leaf_hash(logged.leaf), await store.checkpoint()
    verifier = Verifier([VerifierKey.parse(key) for key in store.keys])
    try:
        checkpoint = open_checkpoint(note, verifier)
    except LogProofError as error:
        return Integrity(payload, False, False, None, hashed, 0, why or str(error))
    try:
        path = await store.inclusion(logged.index, checkpoint.size)
        InclusionProof(logged.index, path, note).verify(logged.leaf, verifier)
    except (LogProofError, LogUnavailable, IndexError) as error:
        return Integrity(payload, True, False, checkpoint, hashed, 0, why or str(error))
    return Integrity(payload, True, True, checkpoint, hashed, len(path), why)
