"""Which items of a batch are recorded: not those whose key is taken, or with nothing to erase."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from cds_service.audit.rows import Item
from cds_service.audit.store import Receipt
from cds_service.audit.writer import Outcome
from cds_service.errors import KeyTaken


class Screened(NamedTuple):
    """The items that are recorded from `first` on, and the outcome of the others."""

    items: list[Item]
    outcomes: list[KeyTaken | int | None]
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
    items: Sequence[Item],
    first: int,
    taken: Callable[[Sequence[bytes]], dict[bytes, int]],
    erased: Callable[[int], bool],
) -> Screened:
    """Look at each item under the log's write lock.

    `taken` says which keys the log has, and where; `erased` destroys a payload within the
    transaction, False when there is none to destroy.
    """
    keys = taken([item.entry.key_hash for item in items if item.entry.key_hash is not None])
    result = Screened([], [])
    for item in items:
        key, index = item.entry.key_hash, first + len(result.items)
        if key is not None and (there := keys.setdefault(key, index)) != index:
            result.outcomes.append(KeyTaken(there))
        elif item.erases is not None and not erased(item.erases):
            result.outcomes.append(None)
        else:
            result.items.append(item)
            result.outcomes.append(index)
    return result
