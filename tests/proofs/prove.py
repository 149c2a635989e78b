"""What is proved of each table, for every infant that can be; each proof returns what breaks it.

Unsatisfiable means proved: no infant at all breaks it.
"""

import copy
from functools import cached_property
from typing import Any

import z3

from tests.proofs.assume import assessed, legal
from tests.proofs.content import Content, group_of, leaves
from tests.proofs.encode import Encoded
from tests.proofs.kleene import Flag, every, isnt, known, some
from tests.proofs.world import World, found, world


class Prover:
    """One content over all infants."""

    def __init__(self, content: Content) -> None:
        self.content = content
        self.world = world(content)
        self.encoded = Encoded(content, self.world)

    def infant(self, *flags: Flag, assessed: bool = True) -> World | None:
        """An infant for whom all of this is so, or None: there is none."""
        solver = self._assessed if assessed else self._legal
        solver.push()
        solver.add(*flags)
        result = solver.check()
        made = found(self.world, solver.model()) if result == z3.sat else None
        solver.pop()
        assert result != z3.unknown, "z3 gave no answer"
        return made

    def undecided(self, table: str) -> World | None:
        """An assessed infant that the table leaves without an outcome.

        The outcome of a table without a last `otherwise` row may be that no class holds.
        """
        gate, rows = self.encoded.gates[table], self.encoded.tables[table]
        outcome = some(answer.yes for answer in rows.values())
        if "when" in self.content.tables[table]["rows"][-1]:
            outcome = some((outcome, every(answer.no for answer in rows.values())))
        decided = every((outcome, *(known(answer) for answer in rows.values())))
        return self.infant(some((isnt(known(gate)), every((gate.yes, isnt(decided))))))

    def never_reached(self, table: str) -> list[str]:
        """Classes that no assessed infant has."""
        return [
            code
            for code in self.encoded.tables[table]
            if self.infant(self.encoded.holds(code)) is None
        ]

    def shadowed(self, table: str) -> list[str]:
        """Rows that hold for some infant, but only where one above holds too."""
        rows, gate = self.encoded.tables[table], self.encoded.gates[table].yes
        found, above = [], list[Flag]()
        for code, answer in rows.items():
            holds = every((gate, answer.yes))
            if self.infant(holds, assessed=False) is not None:
                alone = self.infant(holds, isnt(some(above)), assessed=False)
                found += [code] if alone is None else []
            above.append(answer.yes)
        return found

    def too_early(self, table: str) -> World | None:
        """Any infant, assessed or not, of whom it is said that nothing was found too early."""
        rows = self.encoded.tables[table]
        for row in self.content.tables[table]["rows"]:
            if row.get("no-illness") == "true":
                others = [answer.no for code, answer in rows.items() if code != row["class"]]
                holds = self.encoded.holds(row["class"])
                return self.infant(holds, isnt(every(others)), assessed=False)
        return None

    def ages_left_out(self, table: str) -> list[str]:
        """Rows that ask the same of infants of other ages, and together leave an age out."""
        rows = [row for row in self.content.tables[table]["rows"] if _asks_age(row)]
        same = [
            (row, [other for other in rows if self._same(_ageless(row), _ageless(other))])
            for row in rows
        ]
        return [row["class"] for row, group in same if len(group) > 1 and self._gap(group)]

    def _same(self, one: Any, two: Any) -> bool:
        first, second = self.encoded.condition(one).yes, self.encoded.condition(two).yes
        return self.infant(z3.Xor(first, second)) is None

    def _gap(self, rows: list[dict[str, Any]]) -> bool:
        holds = [self.encoded.condition(row["when"]).yes for row in rows]
        sign = self.encoded.condition(_ageless(rows[0])).yes
        return self.infant(sign, isnt(some(holds))) is not None

    @cached_property
    def _legal(self) -> z3.Solver:
        solver = z3.SolverFor("QF_LIA")
        solver.add(*legal(self.content, self.world))
        return solver

    @cached_property
    def _assessed(self) -> z3.Solver:
        solver = z3.SolverFor("QF_LIA")
        solver.add(*legal(self.content, self.world), *assessed(self.content, self.encoded))
        return solver


def _asks_age(row: dict[str, Any]) -> bool:
    return "when" in row and any(map(_is_age, leaves(row["when"])))


def _is_age(test: Any) -> bool:
    return isinstance(test, dict) and test.get("measure") == "age"


def _ageless(row: dict[str, Any]) -> Any:
    """The condition of a row for infants of any age."""
    return _without_age(copy.deepcopy(row["when"]))


def _without_age(condition: Any) -> Any:
    kind = group_of(condition)
    if not kind:
        return condition
    items = [_without_age(item) for item in condition[kind] if not _is_age(item)]
    return {**condition, kind: items}
