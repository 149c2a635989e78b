"""Whether what was seen is as it must be."""

from collections import Counter
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from tests.soak.observed import Life, Observed

MOST = 0.05
"""The share by which memory may grow after the warm-up."""
FEWEST = 20
"""Samples, one a second, that a life must have after its warm-up to be judged."""
_FEWEST_LIVES = 3
_SHOWN = 5
_SHORT = "not judged: too short"


class Verdict(NamedTuple):
    """One thing that must hold."""

    name: str
    told: str
    good: bool


def judged(seen: Observed) -> list[Verdict]:
    """Every verdict, in the order in which they are told."""
    return [
        _answers(seen),
        _within(seen.lives),
        _across(seen.lives),
        _exits(seen.lives),
        _none("acknowledged, in the log and proved", seen.lost, f"{len(seen.kept)}"),
        _none(
            "the log verifies", [seen.finding] if seen.finding else [], f"{seen.entries} entries"
        ),
        _unheard(seen),
    ]


def _answers(seen: Observed) -> Verdict:
    asked = sum(seen.told.values())
    by = Counter(status for _, status in seen.told.elements())
    told = ", ".join(f"{count} of {status}" for status, count in sorted(by.items()))
    verdict = _none("answers as they must be", seen.wrong, told)
    return verdict._replace(good=verdict.good and asked > 0)


def _unheard(seen: Observed) -> Verdict:
    """An entry whose answer nobody heard is one of a call that was cut off; there are no others."""
    unheard = seen.entries - len({each.place for each in seen.kept})
    told = f"{unheard} entries without an answer that was heard, {seen.cut_off} calls were cut off"
    return Verdict("no entry that nobody asked for", told, 0 <= unheard <= seen.cut_off)


def _none(name: str, wrong: Sequence[str], told: str) -> Verdict:
    """Nothing may be wrong."""
    if not wrong:
        return Verdict(name, told, True)
    shown = "; ".join(wrong[:_SHOWN])
    return Verdict(name, f"{len(wrong)} are not: {shown}", False)


class Growth(NamedTuple):
    """How much the memory grew, as a share."""

    what: str
    share: float


def within(life: Life) -> Growth | None:
    """From the first third after the warm-up to the last third; None when it was too short.

    The warm-up is the first third of the life.
    """
    warm = _warm(life)
    if len(warm) < FEWEST:
        return None
    third = len(warm) // 3
    first, last = median(warm[:third]), median(warm[-third:])
    return Growth(f"replica {life.replica}, begun at {life.began:.0f} s", last / first - 1)


def _warm(life: Life) -> list[int]:
    if not life.sizes:
        return []
    after = life.sizes[-1][0] / 3
    return [size for at, size in life.sizes if at >= after]


def across(lives: Sequence[Life]) -> Growth | None:
    """From the first third of the lives to the last third, each at its end; of those long enough.

    What grows with the log, or is left behind by a process that ended, shows here.
    """
    ends = [median(_warm(life)[-FEWEST // 2 :]) for life in lives if within(life)]
    if len(ends) < _FEWEST_LIVES:
        return None
    third = len(ends) // 3
    return Growth(f"{len(ends)} lives", median(ends[-third:]) / median(ends[:third]) - 1)


def _within(lives: Sequence[Life]) -> Verdict:
    """A leak shows in every life, what was not warm yet in one: so their median counts."""
    name, grown = "memory within a life", [each for life in lives if (each := within(life))]
    if not grown:
        return Verdict(name, _SHORT, True)
    usual, worst = median(each.share for each in grown), max(grown, key=lambda each: each.share)
    told = f"{usual:+.1%}, median of {len(grown)} lives; at most {worst.share:+.1%} ({worst.what})"
    return Verdict(name, told, usual < MOST)


def _across(lives: Sequence[Life]) -> Verdict:
    name, grown = "memory from life to life", across(lives)
    if grown is None:
        return Verdict(name, _SHORT, True)
    return Verdict(
        name, f"{grown.share:+.1%}, first to last third of {grown.what}", grown.share < MOST
    )


def _exits(lives: Sequence[Life]) -> Verdict:
    """A process ends when it was told to, in good order."""
    wrong = [
        f"replica {life.replica}, begun at {life.began:.0f} s: exit code {life.exit_code}"
        for life in lives
        if not life.asked or life.exit_code != 0
    ]
    told = f"{len(lives)} processes ended when they were told to"
    verdict = _none("no unexpected exit", wrong, told)
    return verdict._replace(good=verdict.good and bool(lives))


def table(seen: Observed, verdicts: Sequence[Verdict]) -> str:
    """All of it for people, in Markdown."""
    lines = [
        f"{seen.seconds:.0f} s, {seen.cut_off + seen.refused} calls asked of the other replica",
        "",
    ]
    lines += ["| asked | answered |", "|---|---|"]
    for kind in sorted({kind for kind, _ in seen.told}):
        counts = [(status, n) for (one, status), n in sorted(seen.told.items()) if one == kind]
        lines.append(f"| {kind} | {', '.join(f'{n} of {status}' for status, n in counts)} |")
    lines += [
        "",
        "| process | began at | lived | memory, first and last third |",
        "|---|--:|--:|--:|",
    ]
    lines += [_of_life(life) for life in seen.lives]
    lines += ["", "| it holds that | | seen |", "|---|---|---|"]
    lines += [
        f"| {each.name} | {'yes' if each.good else 'NO'} | {each.told} |" for each in verdicts
    ]
    return "\n".join(lines)


def _of_life(life: Life) -> str:
    lived = life.sizes[-1][0] if life.sizes else 0.0
    warm = _warm(life)
    third = max(1, len(warm) // 3)
    sizes = [median(part) / 1e6 for part in (warm[:third], warm[-third:]) if part]
    told = " and ".join(f"{size:.1f} MB" for size in sizes)
    return f"| {life.replica} | {life.began:.0f} s | {lived:.0f} s | {told} |"
