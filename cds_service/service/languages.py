"""Which language an answer is in."""

from collections.abc import Sequence


def chosen_language(wishes: Sequence[str], known: Sequence[str]) -> str:
    """The first wish that there are texts for, else the first that is known (RFC 4647 lookup).

    >>> chosen_language(["xh", "sw-TZ", "en"], ["en", "sw"]), chosen_language(["*"], ["en", "sw"])
    ('sw', 'en')
    """
    found = (looked_up(wish, known) for wish in wishes)
    return next(filter(None, found), known[0])


def looked_up(wish: str, known: Sequence[str]) -> str:
    """The language for one wish: the tag itself, or as much of it as there are texts for; or "".

    >>> looked_up("PT-br", ["en", "pt"]), looked_up("zh-Hant-x-a", ["zh-hant"]), looked_up("xh", [])
    ('pt', 'zh-hant', '')
    """
    tags = {tag.lower(): tag for tag in known}
    parts = wish.lower().split("-")
    while parts:
        if (tag := "-".join(parts)) in tags:
            return tags[tag]
        parts.pop()
    return ""
