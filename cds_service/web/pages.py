"""Where a page of a search begins, as a parameter that says nothing about anybody.

Entries come newest first, so a page is what lies below an index. `_page` names the starts of
this page and of those before it, nearest first: that is all that a link to the page before
needs, and it holds on every replica and after a restart.
"""

import re
from dataclasses import dataclass

MOST = 50
"""Starts of pages that a link remembers; of older ones there is no link back."""
FORGOTTEN = "-"
"""Ends a list from which older starts were left out."""
_FORM = re.compile(rf"\d{{1,18}}(,\d{{1,18}}){{0,{MOST - 1}}}(,-)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Page:
    """One page; the first has no starts.

    >>> second = Page().next(below=80)
    >>> third = second.next(below=60)
    >>> str(third), str(third.previous() or ""), second.previous() == Page()
    ('60,80', '80', True)
    """

    starts: tuple[int, ...] = ()
    forgotten: bool = False

    @classmethod
    def parse(cls, text: str) -> "Page":
        """Read what `str` wrote; raises ValueError."""
        if not _FORM.fullmatch(text):
            raise ValueError("not a page")
        starts = text.removesuffix(f",{FORGOTTEN}")
        return cls(tuple(map(int, starts.split(","))), text != starts)

    def __str__(self) -> str:
        return ",".join([*map(str, self.starts), *([FORGOTTEN] if self.forgotten else [])])

    @property
    def below(self) -> int | None:
        """Entries of this page have a smaller index."""
        return self.starts[0] if self.starts else None

    def next(self, below: int) -> "Page":
        """The page that begins below this index."""
        starts = (below, *self.starts)
        return Page(starts[:MOST], self.forgotten or len(starts) > MOST)

    def previous(self) -> "Page | None":
        """The page before; None when this is the first, or where it began is forgotten."""
        if not self.starts or (len(self.starts) == 1 and self.forgotten):
            return None
        return Page(self.starts[1:], self.forgotten)


FIRST = Page()
"""The newest entries."""
