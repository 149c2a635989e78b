"""At the end: the whole log is read, and whatever was acknowledged is looked for in it."""

from collections import Counter
from collections.abc import Iterator

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.note import Verifier
from cds_service.audit.store import Store
from cds_service.audit.tree import leaf_hash
from cds_service.audit.verify import verify_inclusion
from cds_service.errors import LogProofError
from tests.soak.observed import Kept, Observed


async def verified(store: Store, verifier: Verifier, seen: Observed) -> None:
    """Write into `seen` what the log is, by all that was kept of it outside.

    `Store.verify` holds every checkpoint that anybody was ever given against the tree: a fork, or
    an entry that came to be missing, cannot pass.
    """
    notes = {each.checkpoint for each in seen.kept} | set(seen.sizes)
    found = await store.verify([open_checkpoint(note, verifier) for note in sorted(notes)])
    seen.entries = found.size
    seen.finding = "" if found.finding is None else str(found.finding)
    by_index = {each.place: each for each in seen.kept}
    seen.lost += _taken_twice(seen.kept)
    async for logged in store.scan():
        kept = by_index.pop(logged.index, None)
        if kept is None:
            continue
        if logged.entry is None or kept.answer not in ("", logged.entry.response_sha256):
            seen.lost.append(f"entry {kept.place} is not what was answered")
        elif not await _proves(store, verifier, kept, logged.leaf):
            seen.lost.append(f"entry {kept.place} does not prove")
    seen.lost += [f"entry {index} is not in the log" for index in by_index]


def _taken_twice(kept: list[Kept]) -> Iterator[str]:
    """A position that two answers name, neither of which is a retry."""
    count = Counter(each.place for each in kept if not each.again)
    return (f"entry {index} was acknowledged {n} times" for index, n in count.items() if n > 1)


async def _proves(store: Store, verifier: Verifier, kept: Kept, leaf: bytes) -> bool:
    """Whether the entry is in the tree of the very checkpoint that came with the answer."""
    checkpoint = open_checkpoint(kept.checkpoint, verifier)
    try:
        path = await store.inclusion(kept.place, checkpoint.size)
        verify_inclusion(leaf_hash(leaf), kept.place, checkpoint.size, path, checkpoint.root)
    except (LogProofError, IndexError):
        return False
    return True
