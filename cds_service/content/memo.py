"""What is kept so that it is worked out once."""

from collections.abc import Callable, Hashable
from typing import Any, TypeVar


class Memo(dict[Hashable, Any]):
    """Results that depend on nothing but the protocol and their key; emptied when it grows."""

    LIMIT = 20_000

    def __setitem__(self, key: Hashable, value: Any) -> None:
        """Keep a result; a full memo is emptied first, so memory stays flat."""
        if len(self) >= self.LIMIT:
            self.clear()
        super().__setitem__(key, value)


Part = TypeVar("Part")
Made = TypeVar("Made")


def once(made: dict[Hashable, Any], kind: str, part: Part, make: Callable[[Part], Made]) -> Made:
    """What is made of one part of the content alone: made once and kept in `Protocol.made`."""
    key = kind, id(part)
    # Kept beside its part, so that the identity cannot come to mean another one.
    kept: tuple[Part, Made] | None = made.get(key)
    if kept is None or kept[0] is not part:
        kept = made[key] = part, make(part)
    return kept[1]
