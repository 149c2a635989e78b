"""Kleene's three-valued logic over plain booleans and over those of z3 alike.

A truth is two flags, `yes` and `no`; neither means unknown. Plain flags give plain flags, so the
same encoding is proved with z3 and computed for one infant.
"""

from collections.abc import Iterable
from typing import Any, NamedTuple

import z3

Flag = Any
"""bool or z3.BoolRef."""


class Truth(NamedTuple):
    """YES, NO or (neither) unknown."""

    yes: Flag
    no: Flag


YES, NO, UNKNOWN = Truth(True, False), Truth(False, True), Truth(False, False)


def every(flags: Iterable[Flag]) -> Flag:
    """All of them."""
    given = list(flags)
    return all(given) if _plain(given) else z3.And(*given)


def some(flags: Iterable[Flag]) -> Flag:
    """At least one of them."""
    given = list(flags)
    return any(given) if _plain(given) else z3.Or(*given)


def isnt(flag: Flag) -> Flag:
    """Not so."""
    return not flag if isinstance(flag, bool) else z3.Not(flag)


def if_then(flag: Flag, then: Flag) -> Flag:
    """Whenever the first, the second."""
    return some((isnt(flag), then))


def either(flag: Flag, then: Flag, otherwise: Flag) -> Flag:
    """One or the other."""
    return every((if_then(flag, then), if_then(isnt(flag), otherwise)))


def choose(flag: Flag, then: Any, otherwise: Any) -> Any:
    """One number or the other."""
    return (then if flag else otherwise) if isinstance(flag, bool) else z3.If(flag, then, otherwise)


def at_least(count: int, flags: Iterable[Flag]) -> Flag:
    """So many of them."""
    given = list(flags)
    if _plain(given):
        return sum(given) >= count
    return z3.PbGe([(z3.BoolVal(f) if isinstance(f, bool) else f, 1) for f in given], count)


def all_of(truths: Iterable[Truth]) -> Truth:
    given = list(truths)
    return Truth(every(t.yes for t in given), some(t.no for t in given))


def any_of(truths: Iterable[Truth]) -> Truth:
    given = list(truths)
    return Truth(some(t.yes for t in given), every(t.no for t in given))


def negated(truth: Truth) -> Truth:
    return Truth(truth.no, truth.yes)


def number_of(count: int, truths: Iterable[Truth]) -> Truth:
    """At least so many are YES; NO when too few are left that could be."""
    given = list(truths)
    return Truth(
        at_least(count, (t.yes for t in given)),
        at_least(len(given) - count + 1, (t.no for t in given)),
    )


def known(truth: Truth) -> Flag:
    """YES or NO."""
    return some(truth)


def when(flag: Flag, then: Truth, otherwise: Truth) -> Truth:
    """One truth or the other."""
    return Truth(either(flag, then.yes, otherwise.yes), either(flag, then.no, otherwise.no))


def _plain(flags: list[Flag]) -> bool:
    return all(isinstance(flag, bool) for flag in flags)
