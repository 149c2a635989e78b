"""Pairs of infants who differ in one test of a row, which alone decides whether the row holds.

Modified condition/decision coverage: every test of every row, and of what a table is asked
for, has such a pair. `python -m tests.proofs.mcdc` writes them to pairs.yaml, with the class of
each infant; they are kept, not made again by the tests, so that a changed content is seen.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import yaml
import z3

from tests.proofs.assume import assessed, legal, step_of
from tests.proofs.content import Content, content, leaves, said
from tests.proofs.encode import Encoded
from tests.proofs.infant import ordinary, written
from tests.proofs.kleene import Flag, every, isnt, known, some
from tests.proofs.world import World, found, world

PAIRS = Path(__file__).with_name("pairs.yaml")
_HEAD = """\
# Made by `python -m tests.proofs.mcdc`. Two infants of each pair, as far as they differ from an
# ordinary one (infant.py; values in thousandths), and the class of the table for each.
"""


class Asked(NamedTuple):
    """One test of a table, at one place of a row (`row` "": of what the table is asked for)."""

    name: str
    table: str
    row: str
    place: int
    test: Any


def every_test(content: Content) -> Iterator[Asked]:
    """The tests of all tables, in file order, each with a name of its own."""
    seen: dict[str, int] = {}
    for code, table in content.tables.items():
        conditions = [("", table["when"])] if "when" in table else []
        conditions += [(row["class"], row["when"]) for row in table["rows"] if "when" in row]
        for row, when in conditions:
            for place, test in enumerate(leaves(when)):
                name = f"{row or code + ' is asked'}: {said(test)} decides"
                count = seen[name] = seen.get(name, 0) + 1
                yield Asked(name if count == 1 else f"{name} ({count})", code, row, place, test)


def when_of(content: Content, test: Asked) -> Any:
    """The condition in which a test stands."""
    if not test.row:
        return content.tables[test.table]["when"]
    return content.row(test.row)[1]["when"]


def outcome(content: Content, encoded: Encoded, test: Asked) -> Flag:
    """What the test decides: that its row gives the class, or that the table gives any."""
    if test.row:
        return encoded.holds(test.row)
    return some(encoded.holds(row["class"]) for row in content.tables[test.table]["rows"])


def is_pair(content: Content, test: Asked, one: World, two: World) -> bool:
    """Whether the test alone decides between two plain worlds."""
    first, second = Encoded(content, one), Encoded(content, two)
    tests = list(leaves(when_of(content, test)))
    differing = [
        place for place, leaf in enumerate(tests) if first.condition(leaf) != second.condition(leaf)
    ]
    inside = differing == [test.place] or _feeds(content, tests, differing, test)
    return inside and outcome(content, first, test) and not outcome(content, second, test)


def _feeds(content: Content, tests: list[Any], differing: list[int], test: Asked) -> bool:
    """Whether all that differ look at the same fact, so that they cannot be kept apart."""
    shared = facts(content, test.test)
    return test.place in differing and all(shared & facts(content, tests[p]) for p in differing)


def facts(content: Content, test: Any) -> frozenset[str]:
    """The parts of a world that a test looks at, by the beginning of their names."""
    if isinstance(test, str) or "finding" in test:
        code = test if isinstance(test, str) else test["finding"]
        if code not in content.derived:
            return frozenset({f"signs/{code}/"})
        inner = (leaf for one in content.derived[code]["first-known"] for leaf in leaves(one))
        return _all(facts(content, leaf) for leaf in inner)
    if "measure" in test:
        return _measured(test)
    if "earlier" in test:
        return frozenset({f"earlier/{test['earlier']}/"})
    if "new" in test:
        _, row = content.row(test["new"])
        return _all(_now_and_before(content, leaf) for leaf in leaves(row["when"]))
    table, _ = content.row(test["now"])
    rows = content.tables[table]["rows"]
    return _all(facts(content, t) for row in rows if "when" in row for t in leaves(row["when"]))


def _all(sets: Iterable[frozenset[str]]) -> frozenset[str]:
    return frozenset().union(*sets)


def _measured(test: dict[str, Any]) -> frozenset[str]:
    kind = test["measure"]
    if kind in ("age", "age-hours"):
        return frozenset({"age//", "hours//"})
    if kind == "weight-for-age":
        return frozenset({"last/weight/"})
    if kind == "postmenstrual-age":
        return frozenset({"age//", "hours//", "last/gestational-age/"})
    if kind == "day-of-treatment":
        return frozenset({f"earlier/{test['since']}/"})
    return frozenset({f"{part}/{kind}/" for part in ("last", "first", "far_apart")})


def _now_and_before(content: Content, test: Any) -> frozenset[str]:
    now = facts(content, test)
    return now | {
        name.replace(part, earlier)
        for name in now
        for part, earlier in (("signs/", "before/"), ("last/", "before_values/"))
        if name.startswith(part)
    }


class Maker:
    """Looks for pairs with z3: two worlds that share what the test does not look at."""

    def __init__(self, content: Content) -> None:
        self.content = content
        self.one, self.two = world(content, "one "), world(content, "two ")
        self.first, self.second = Encoded(content, self.one), Encoded(content, self.two)
        self.usual = ordinary(content).flat
        self.solver = z3.SolverFor("QF_LIA")
        self.solver.add(*legal(content, self.one), *legal(content, self.two))

    def pair(self, test: Asked) -> tuple[World, World] | None:
        """Two infants as ordinary as can be; None: there are none (proved).

        Best both are assessed, and without what is tested no row above holds.
        """
        free = facts(self.content, test.test)
        fixed = [*self._decides(test), *self._same(test, free)]
        complete = [
            *assessed(self.content, self.first),
            *assessed(self.content, self.second),
        ]
        wishes = [*self._wishes(self.one), *self._wishes(self.two), *self._near(test)]
        below = list(self._below(test))
        for more in ([*complete, *below], complete, below, []):
            self.solver.push()
            self.solver.add(*fixed, *more)
            model = self._closest(wishes)
            self.solver.pop()
            if model is not None:
                return found(self.one, model), found(self.two, model)
        return None

    def _decides(self, test: Asked) -> Iterator[Flag]:
        yield outcome(self.content, self.first, test)
        yield isnt(outcome(self.content, self.second, test))
        answers = self.first.condition(test.test), self.second.condition(test.test)
        yield every(known(answer) for answer in answers)
        yield answers[0].yes != answers[1].yes

    def _below(self, test: Asked) -> Iterator[Flag]:
        for row in self.content.tables[test.table]["rows"]:
            if row["class"] == test.row:
                return
            yield isnt(self.second.holds(row["class"]))

    def _same(self, test: Asked, free: frozenset[str]) -> Iterator[Flag]:
        for name, value in self.one.flat.items():
            if not name.startswith(tuple(free)):
                yield value == self.two.flat[name]
        for place, leaf in enumerate(leaves(when_of(self.content, test))):
            if place != test.place and not facts(self.content, leaf) & free:
                for one, two in zip(
                    self.first.condition(leaf), self.second.condition(leaf), strict=True
                ):
                    yield one == two

    def _wishes(self, each: World) -> list[z3.BoolRef]:
        """As the ordinary infant, beginning with what matters least."""
        return [value == self.usual[name] for name, value in each.flat.items()]

    def _near(self, test: Asked) -> list[z3.BoolRef]:
        """Two measured values one step apart, on both sides of the limit."""
        wishes: list[z3.BoolRef] = []
        if isinstance(test.test, str) or "measure" not in test.test:
            return wishes
        free = facts(self.content, test.test)
        for name, value in self.one.flat.items():
            if name.startswith(tuple(free)):
                other = self.two.flat[name]
                _, code, _ = name.split("/")
                if z3.is_bool(value):
                    wishes.append(value == other)
                    continue
                step = step_of(self.content.measures[code]) if code in self.content.measures else 1
                wishes.append(z3.Or(value - other == step, other - value == step))
        return wishes

    def _closest(self, wishes: list[z3.BoolRef]) -> z3.ModelRef | None:
        """A model that meets as many wishes as it can: no wish given up could be met still."""
        given_up: list[z3.BoolRef] = []
        while self.solver.check(*wishes) == z3.unsat:
            core = set(self.solver.unsat_core())
            if not core:
                return None
            given_up.append(next(wish for wish in wishes if wish in core))
            wishes = [wish for wish in wishes if not wish.eq(given_up[-1])]
        for wish in reversed(given_up):
            if self.solver.check(*wishes, wish) == z3.sat:
                wishes.append(wish)
        assert self.solver.check(*wishes) == z3.sat
        return self.solver.model()


def main() -> None:
    """Write the pairs, and say which tests have none."""
    whole = content()
    maker, lines = Maker(whole), [_HEAD]
    for test in every_test(whole):
        pair = maker.pair(test)
        if pair is None:
            print(f"no pair: {test.name}")
            continue
        one, two = (
            {"infant": written(whole, each), "class": class_of(whole, each, test.table)}
            for each in pair
        )
        lines += [f"- pair: {_line(test.name)}\n", f"  with: {_line(one)}\n"]
        lines.append(f"  without: {_line(two)}\n")
    PAIRS.write_text("".join(lines), encoding="utf-8")


def _line(value: Any) -> str:
    dumped = yaml.safe_dump(value, sort_keys=False, default_flow_style=True, width=100_000)
    return dumped.removesuffix("...\n").strip()


def class_of(content: Content, each: World, table: str) -> str:
    """The class that a table gives by the encoding; "none" when it gives none."""
    encoded = Encoded(content, each)
    rows = content.tables[table]["rows"]
    return next((row["class"] for row in rows if encoded.holds(row["class"])), "none")


if __name__ == "__main__":
    main()
