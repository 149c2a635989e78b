"""A text with {placeholders}, split once so that it is quick to fill."""

import re
from functools import cache

_PLACEHOLDER = re.compile(r"\{([a-z][a-z_]*)\}")


@cache
def split(text: str) -> tuple[str, ...]:
    """Literal text and placeholder names in turn, beginning and ending with literal text.

    >>> split("give {amount} now")
    ('give ', 'amount', ' now')
    """
    return tuple(_PLACEHOLDER.split(text))


def placeholders(text: str) -> frozenset[str]:
    """The names of the placeholders in a text."""
    return frozenset(split(text)[1::2])


def literal(text: str) -> str:
    """What is left of a text without its placeholders."""
    return "".join(split(text)[::2])
