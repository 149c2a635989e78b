"""What is kept so that it is worked out once."""

from collections.abc import Callable, Hashable, Mapping
from types import MappingProxyType
from typing import Any, TypeVar


class Memo(dict[Hashable, Any]):
    """Results that depend on nothing but the protocol and their key; `memo[key]` is None at first.

    Of two generations: when the young one is full it becomes the old one, and what nobody has
    asked for since is let go. So memory stays flat, and what is asked for again and again stays.
    """

    LIMIT = 4096
    """The most results of a generation."""
    __slots__ = ("_old",)

    def __init__(self, known: Mapping[Hashable, Any] = MappingProxyType({})) -> None:
        super().__init__(known)
        self._old: dict[Hashable, Any] = {}

    def __missing__(self, key: Hashable) -> Any:
        """What is not in the young generation: from the old one, or None."""
        known = self._old.get(key)
        if known is not None:
            self[key] = known
        return known

    def __setitem__(self, key: Hashable, value: Any) -> None:
        """Keep a result, in the young generation."""
        if len(self) >= self.LIMIT:
            self._old = self.copy()
            super().clear()
        super().__setitem__(key, value)

    def clear(self) -> None:
        """Let go of both generations."""
        super().clear()
        self._old = {}


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
