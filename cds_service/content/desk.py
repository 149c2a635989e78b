"""What the readers of the content share: the names that exist, and the list of findings."""

from dataclasses import dataclass, field
from typing import TypeVar

from cds_service.content.model import DAY
from cds_service.content.tree import Node

COMPUTED = {
    "age": "d",
    "age-hours": "h",
    DAY: "d",
    "postmenstrual-age": "wk",
    "weight-for-age": "{z}",
}
"""Measures that are worked out from others, with the unit of their limits."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Names:
    """Every name that another part of the content may refer to."""

    sources: frozenset[str] = frozenset()
    signs: frozenset[str] = frozenset()
    derived: frozenset[str] = frozenset()
    measures: dict[str, str] = field(default_factory=dict)
    """Measure code -> the unit of its limits."""
    apart: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """Measure code -> further units in which each limit is written too."""
    repeated: frozenset[str] = frozenset()
    """Measures that have a repeat, so that a test may ask for `confirmed`."""
    medicines: frozenset[str] = frozenset()
    classes: frozenset[str] = frozenset()
    fluids: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, order=True)
class Finding:
    """One fault of the content: where it is, what is wrong and what to do."""

    file: str
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.what}"


class Desk:
    """Collects findings while the files are read, and remembers where each object came from."""

    def __init__(self, names: Names, findings: "set[Finding] | None" = None) -> None:
        self.names = names
        self._findings: set[Finding] = findings if findings is not None else set()
        self.texts: dict[str, Node] = {}
        """Where each text stands, by key."""
        self._places: dict[int, tuple[object, Node]] = {}

    def every(self, kind: type[T]) -> list[T]:
        """Every object of that kind that was read so far, in the order of reading."""
        return [made for made, _ in self._places.values() if isinstance(made, kind)]

    def report(self, node: Node, what: str) -> None:
        """Add a finding at a node."""
        self.fault(node.file, node.line, what)

    def fault(self, file: str, line: int, what: str) -> None:
        """Add a finding at a file and line; the same finding counts once."""
        self._findings.add(Finding(file, line, what))

    def keep(self, made: T, node: Node) -> T:
        """Remember the node that `made` came from, and hand `made` back."""
        self._places[id(made)] = (made, node)
        return made

    def report_at(self, made: object, what: str) -> None:
        """Add a finding where an object came from; a part that was not readable has one already."""
        if id(made) in self._places:
            self.report(self._places[id(made)][1], what)

    def report_text(self, key: str, what: str) -> None:
        """Add a finding where a text stands."""
        self.report(self.texts[key], what)

    @property
    def findings(self) -> tuple[str, ...]:
        """Every finding as text, in the order of files and lines."""
        return tuple(str(finding) for finding in sorted(self._findings))

    @property
    def findings_so_far(self) -> "set[Finding]":
        """The findings themselves, for a desk with other names that goes on collecting."""
        return self._findings

    def clean(self, *files: str) -> bool:
        """Whether nothing was found so far in those files (a name ending in / means a folder).

        A finding in a layer may be about any file.
        """
        return not any(
            found.file == file
            or (file.endswith("/") and found.file.startswith(file))
            or found.file.startswith(("editions/", "adaptations/"))
            for found in self._findings
            for file in files
        )
