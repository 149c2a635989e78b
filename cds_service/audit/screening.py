"""Which items of a batch are recorded, decided under the log's write lock.

Not those whose key is taken, or with nothing to erase. And so that nothing which names an infant
is left behind by an erasure, whatever happens at the same moment: no feedback about an entry that
was erased, and no erasure of an entry while feedback about it is there.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from cds_service.audit.record import BESIDE
from cds_service.audit.rows import Item
from cds_service.audit.store import Receipt
from cds_service.audit.writer import Outcome
from cds_service.errors import FedBack, KeyTaken, PayloadErased


class Looked(Protocol):
    """What has to be known of the log; `reader.Reader` is one."""

    def taken(self, hashes: Sequence[bytes]) -> dict[bytes, int]:
        """Which of these keys the log has, and where."""
        ...

    def is_kept(self, index: int) -> bool:
        """Whether there is an entry that is not erased."""
        ...

    def is_fed_back(self, index: int) -> bool:
        """Whether a feedback about the entry is not erased."""
        ...


class Screened(NamedTuple):
    """The items that are recorded from `first` on, and the outcome of the others."""

    items: list[Item]
    outcomes: list[KeyTaken | FedBack | PayloadErased | int | None]
    """One for each item of the batch; a number is the index it gets."""

    def answered(self, checkpoint: str) -> list[Outcome]:
        """The outcomes once all is durable and signed."""
        return [
            Receipt(outcome, checkpoint) if isinstance(outcome, int) else outcome
            for outcome in self.outcomes
        ]


def all_of(items: Sequence[Item], first: int) -> Screened:
    """Every item is recorded, the first at the index `first`."""
    return Screened(list(items), list(range(first, first + len(items))))


def screened(
    items: Sequence[Item], first: int, log: Looked, erased: Callable[[int], bool]
) -> Screened:
    """Look at each item under the log's write lock.

    `erased` destroys a payload within the transaction, False when there is none to destroy.
    """
    keys = log.taken([item.entry.key_hash for item in items if item.entry.key_hash is not None])
    result = Screened([], [])
    for item in items:
        key, index = item.entry.key_hash, first + len(result.items)
        if key is not None and (there := keys.setdefault(key, index)) != index:
            result.outcomes.append(KeyTaken(there))
        elif (refused := _left_behind(item, first, result.items, log)) is not None:
            result.outcomes.append(refused)
            if key is not None:
                del keys[key]
        elif item.erases is not None and not erased(item.erases):
            result.outcomes.append(None)
        else:
            result.items.append(item)
            result.outcomes.append(index)
    return result


def _left_behind(
    item: Item, first: int, before: Sequence[Item], log: Looked
) -> FedBack | PayloadErased | None:
    """Why the item may not be recorded now; `before` are those of the batch that are."""
    about = item.entry.about
    if about is None:
        return None
    if item.entry.kind in BESIDE:
        here = first <= about < first + len(before)
        return None if here or log.is_kept(about) else PayloadErased(about)
    if item.erases is not None and not item.alone:
        now = any(each.entry.kind in BESIDE and each.entry.about == about for each in before)
        return FedBack(about) if now or log.is_fed_back(about) else None
    return None
