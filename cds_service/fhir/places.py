"""Where two JSON texts differ, by place and never by value: it may tell who the infant is."""

from collections.abc import Iterator
from itertools import islice
from typing import Any

import orjson

MOST = 8
"""Places that are named."""


def places(old: bytes, new: bytes) -> tuple[str, ...]:
    """The first places that differ; none when both say the same in another spelling.

    >>> places(b'{"a":[1,2]}', b'{"a":[1,3],"b":0}')
    ('a[1]', 'b')
    >>> places(b'{"a":1,"b":2}', b'{ "b":2, "a":1 }')
    ()
    """
    one, two = orjson.loads(old), orjson.loads(new)
    return tuple(islice(_differ(one, two, ""), MOST))


def _differ(old: Any, new: Any, at: str) -> Iterator[str]:
    if isinstance(old, dict) and isinstance(new, dict):
        for name in dict.fromkeys((*old, *new)):
            place = f"{at}.{name}" if at else name
            if name not in old or name not in new:
                yield place
            else:
                yield from _differ(old[name], new[name], place)
    elif isinstance(old, list) and isinstance(new, list):
        for index in range(min(len(old), len(new))):
            yield from _differ(old[index], new[index], f"{at}[{index}]")
        if len(old) != len(new):
            yield f"{at}[{min(len(old), len(new))}]"
    elif type(old) is not type(new) or old != new:
        yield at or "all of it"
