"""What a start would find where the log is, looked at without changing anything."""

from typing import NamedTuple


class State(NamedTuple):
    """The place of a log, as it is now."""

    layout: int
    """Version of its tables; 0: there are none, or it cannot be known."""
    readable: bool
    """Whether the log in it can be opened to be looked at."""
    told: str
    """What a start would do with it, in words."""
    wrong: tuple[str, ...] = ()
    """What would keep a start from it, and the service from recording in it."""
