"""One part of what a start needs, as it was found."""

from collections.abc import Collection
from typing import NamedTuple


class Part(NamedTuple):
    """`told` says what it is when nothing is `wrong` with it."""

    name: str
    told: str = ""
    wrong: tuple[str, ...] = ()


def not_looked_at(name: str, settings: Collection[str]) -> Part:
    """A part that cannot be found while these settings are wrong.

    >>> not_looked_at("log", {"database_url"}).wrong
    ('not looked at while CDS_DATABASE_URL is wrong',)
    """
    named = ", ".join(f"CDS_{each.upper()}" for each in sorted(settings))
    return Part(name, wrong=(f"not looked at while {named} is wrong",))
