"""Plain worlds at random, always the same, with values at and beside every limit of the tables."""

import random
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from tests.proofs.assume import legal, step_of
from tests.proofs.content import Content, leaves, number, op_of
from tests.proofs.kleene import UNKNOWN, Truth, every
from tests.proofs.world import SCALE, Earlier, Reading, Span, World, classes

_SAID = (Truth(True, False), Truth(False, True), UNKNOWN)


def samples(content: Content, count: int, seed: int = 0) -> Iterator[World]:
    """So many legal worlds."""
    chance, points = random.Random(seed), limits(content)
    while count:
        made = _world(content, chance, points)
        if every(legal(content, made)):
            count -= 1
            yield made


def limits(content: Content) -> dict[str, set[Fraction]]:
    """Every limit of the content's conditions, by measure."""
    found: dict[str, set[Fraction]] = {}
    conditions = [
        row["when"] for t in content.tables.values() for row in t["rows"] if "when" in row
    ]
    conditions += [table["when"] for table in content.tables.values() if "when" in table]
    conditions += [one for derived in content.derived.values() for one in derived["first-known"]]
    for condition in conditions:
        for test in leaves(condition):
            if isinstance(test, dict) and "measure" in test:
                found.setdefault(test["measure"], set()).add(number(test[op_of(test)])[0])
    return found


def _world(content: Content, chance: random.Random, points: dict[str, set[Fraction]]) -> World:
    readings = {kind: _readings(content, chance, kind, points) for kind in content.measures}
    twice = [kind for kind, each in content.measures.items() if "repeat-within" in each]
    age = _age(chance, points.get("age", set()))
    return World(
        signs=_signs(content, chance, chance.choice((1, 3, 8))),
        last={kind: given[0] for kind, given in readings.items()},
        first={kind: readings[kind][1] for kind in twice},
        far_apart={kind: chance.random() < 0.2 for kind in twice},
        age=age,
        hours=_hours(chance, age),
        sex=chance.random() < 0.9,
        male=chance.random() < 0.5,
        earlier={code: _earlier(chance, points) for code in classes(content)},
        before={code: _before(sign, chance) for code, sign in content.signs.items()},
        before_values={kind: given[2] for kind, given in readings.items()},
    )


def _signs(content: Content, chance: random.Random, present: int) -> dict[str, Truth]:
    weights = (present, 80, chance.choice((0, 5, 60)))
    return {code: chance.choices(_SAID, weights)[0] for code in content.signs}


def _before(sign: dict[str, Any], chance: random.Random) -> Truth:
    return UNKNOWN if sign.get("lasting") == "true" else chance.choices(_SAID, (1, 3, 3))[0]


def _readings(
    content: Content, chance: random.Random, kind: str, points: dict[str, set[Fraction]]
) -> tuple[Reading, Reading, Reading]:
    measure = content.measures[kind]
    step = step_of(measure)
    near = {int(p * SCALE) + step * way for p in points.get(kind, ()) for way in (-1, 0, 1)}
    low, high = (int(number(measure["possible"][end])[0] * SCALE) for end in ("from", "to"))
    usual = {"kg": range(1500, 6000, 10), "Cel": range(36000, 37600, 100)}
    values = [v for v in near if low <= v <= high] or [low + step * 30]
    plain = usual.get(measure["unit"], range(low, min(high, low + 100 * step), step))

    def one(often: float, *, inner: bool) -> Reading:
        value = chance.choice(values if chance.random() < 0.6 else plain)
        return Reading(chance.random() < often, value, inner and chance.random() < 0.15)

    last = one(0.9, inner="sites-that-exclude" in measure)
    first = one(0.6 if last.there else 0, inner=False)
    lasting = measure.get("lasting") == "true"
    return last, first, one(0 if lasting else 0.4, inner=False)


def _age(chance: random.Random, points: set[Fraction]) -> Span:
    days = [int(p) + way for p in points for way in (-1, 0, 1)]
    low = chance.choice([day for day in days if 0 <= day < 60] or [12])
    low = chance.randrange(60) if chance.random() < 0.4 else low
    high = low if chance.random() < 0.8 else min(59, low + chance.randrange(9))
    return Span(chance.random() < 0.95, low, high)


def _hours(chance: random.Random, age: Span) -> Span:
    low = chance.randrange(24 * age.low, 24 * (age.low + 1))
    return Span(age.there, low, low if age.low == age.high else 24 * age.high + 23)


def _earlier(chance: random.Random, points: dict[str, set[Fraction]]) -> Earlier:
    days = {int(p) + way for p in points.get("day-of-treatment", {4}) for way in (-1, 0, 1)}
    day = chance.choice(sorted(day for day in days if 2 <= day <= 20))
    return Earlier(chance.random() < 0.1, chance.random() < 0.9, day)
