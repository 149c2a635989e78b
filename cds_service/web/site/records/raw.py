"""Recorded JSON set out in lines to be read, without changing one part of it."""

import re

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\],:]|[^\s"{}\[\],:]+')
_STEP = "  "


def set_out(exact: bytes) -> str:
    r"""The same JSON with line breaks; numbers stay as they were written.

    >>> print(set_out(b'{"weight": 3.40,"a":[],"b":[1, {}]}'))
    {
      "weight": 3.40,
      "a": [],
      "b": [
        1,
        {}
      ]
    }
    """
    lines: list[str] = []
    depth, opened = 0, False
    for part in _TOKEN.findall(exact.decode(errors="replace")):
        if part in "}]":
            depth -= 1
            lines.append(part if opened else f"\n{_STEP * depth}{part}")
        elif opened:
            lines.append(f"\n{_STEP * depth}{part}")
        else:
            lines.append(part)
        opened = part in "{["
        depth += opened
        if part == ",":
            lines.append(f"\n{_STEP * depth}")
        elif part == ":":
            lines.append(" ")
    return "".join(lines)
