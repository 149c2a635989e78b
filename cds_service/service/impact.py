"""The report of a replay: how many would change, how, and which are the worst; in little memory.

Reports of parts are added up, so that the parts can be replayed in several processes. What would
grow with the log (names of moves, reasons) is bounded: beyond that it is counted together.
"""

from collections import Counter
from collections.abc import Iterator
from heapq import nsmallest
from typing import NamedTuple

from cds_service.fhir.changes import Kind
from cds_service.service.replaying import Outcome, Verdict

WORST = 20
"""Entries that are told one by one."""
_NAMES = 200
"""Different moves, medicines and reasons that are counted apart."""
_OTHERS = "others"
_DOSES = (Kind.DOSE_HIGHER, Kind.DOSE_LOWER)


class Impact:
    """What came of all entries so far."""

    def __init__(self) -> None:
        self.verdicts: Counter[Verdict] = Counter()
        self._kinds: Counter[Kind] = Counter()
        self._moves: Counter[str] = Counter()
        self._medicines: Counter[tuple[Kind, str]] = Counter()
        self._farthest: dict[tuple[Kind, str], float] = {}
        self._reasons: Counter[str] = Counter()
        self._first: dict[str, int] = {}
        self._worst: list[_Told] = []

    @property
    def replayed(self) -> int:
        """Entries that were replayed."""
        return self.verdicts.total() - sum(
            self.verdicts[each] for each in (Verdict.ERASED, Verdict.OTHER, Verdict.CANNOT)
        )

    def add(self, outcome: Outcome) -> None:
        """Count one entry."""
        self.verdicts[outcome.verdict] += 1
        if outcome.why:
            self._count(self._reasons, outcome.why)
            self._keep_first(outcome.why, outcome.index)
        if outcome.worst is None:
            return
        self._kinds[outcome.worst] += 1
        if outcome.move:
            self._count(self._moves, outcome.move)
        for kind, what, less in {(c.kind, c.what, c.less) for c in outcome.changes if c.what}:
            self._medicine((kind, what), 1, less)
        worst = outcome.changes[0]
        words = tuple(change.words for change in outcome.changes)
        self._keep([_Told(worst.kind, worst.less, outcome.index, words)])

    def merge(self, other: "Impact") -> None:
        """Add the report of another part."""
        self.verdicts += other.verdicts
        self._kinds += other._kinds
        for move, count in other._moves.items():
            self._count(self._moves, move, count)
        for reason, count in other._reasons.items():
            self._count(self._reasons, reason, count)
        for reason, index in other._first.items():
            self._keep_first(reason, index)
        for name, count in other._medicines.items():
            self._medicine(name, count, other._farthest[name])
        self._keep(other._worst)

    def lines(self) -> Iterator[str]:
        """The report, line by line."""
        changed = self.verdicts[Verdict.CHANGED]
        yield f"replayed: {_many(self.replayed)}"
        for verdict in Verdict:
            if count := self.verdicts[verdict]:
                share = f" ({count / self.replayed:.1%})" if verdict is Verdict.CHANGED else ""
                yield f"  {verdict.value}: {_many(count)}{share}"
        for reason, count in _most(self._reasons):
            first = f", the first is entry {self._first[reason]}" if reason in self._first else ""
            yield f"    {reason}: {_many(count)}{first}"
        if changed:
            yield from self._changed()

    def _changed(self) -> Iterator[str]:
        yield ""
        yield "Kinds of change, the worst first (each recommendation under its worst)"
        for kind in sorted(self._kinds):
            yield f"  {_many(self._kinds[kind])}: {kind.words}"
        if self._moves:
            yield ""
            yield "Classes"
            yield from (f"  {_many(count)}: {move}" for move, count in _most(self._moves))
        if self._medicines:
            yield ""
            yield "Medicines and doses"
            for kind, what in sorted(self._medicines):
                yield f"  {_many(self._medicines[kind, what])}: {what}: {self._how(kind, what)}"
        yield ""
        yield f"The worst, entry by entry (at most {WORST})"
        for told in self._worst:
            yield f"  entry {told.entry}: {told.kind.words}"
            yield from (f"    {words}" for words in told.words)

    def _how(self, kind: Kind, what: str) -> str:
        far = self._farthest[kind, what]
        if kind is Kind.DOSE_HIGHER:
            return f"{kind.words}, at most {-far:.2f} times the old"
        return f"{kind.words}, at least {far:.2f} of the old" if kind in _DOSES else kind.words

    def _medicine(self, name: tuple[Kind, str], count: int, less: float) -> None:
        if name not in self._medicines and len(self._medicines) >= _NAMES:
            name = (name[0], _OTHERS)
        self._medicines[name] += count
        self._farthest[name] = min(less, self._farthest.get(name, less))

    def _keep_first(self, reason: str, index: int) -> None:
        if reason in self._reasons:
            self._first[reason] = min(index, self._first.get(reason, index))

    def _keep(self, told: "list[_Told]") -> None:
        self._worst = nsmallest(WORST, [*self._worst, *told])

    @staticmethod
    def _count(counter: Counter[str], name: str, count: int = 1) -> None:
        counter[name if name in counter or len(counter) < _NAMES else _OTHERS] += count


class _Told(NamedTuple):
    """One of the worst; smaller is worse."""

    kind: Kind
    less: float
    entry: int
    words: tuple[str, ...]


def _most(counter: Counter[str]) -> list[tuple[str, int]]:
    """The most frequent first; the same list whichever part was counted first."""
    return sorted(counter.items(), key=lambda item: (-item[1], item[0]))


def _many(count: int) -> str:
    """A number that people can read.

    >>> _many(1234567)
    '1,234,567'
    """
    return f"{count:,}"
