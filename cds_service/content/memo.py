"""What is kept so that it is worked out once."""

from collections.abc import Hashable
from typing import Any


class Memo(dict[Hashable, Any]):
    """Results that depend on nothing but the protocol and their key; emptied when it grows."""

    LIMIT = 20_000

    def __setitem__(self, key: Hashable, value: Any) -> None:
        """Keep a result; a full memo is emptied first, so memory stays flat."""
        if len(self) >= self.LIMIT:
            self.clear()
        super().__setitem__(key, value)
