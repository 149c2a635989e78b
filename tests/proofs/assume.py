"""What is taken for granted of a world: that it can be sent at all, and that it is assessed."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import z3

from tests.proofs.content import Content, leaves, number
from tests.proofs.encode import Encoded, compare, heavier
from tests.proofs.kleene import Flag, every, if_then, isnt, known, some
from tests.proofs.world import SCALE, SEXES, World


def legal(content: Content, world: World) -> list[Flag]:
    """What every infant of this protocol meets: age in range, values possible, weight believed."""
    return [
        *_signs(content, world),
        *_readings(content, world),
        *_ages(content, world),
        *_weights(content, world),
    ]


def _signs(content: Content, world: World) -> Iterator[Flag]:
    for code, sign in content.signs.items():
        yield isnt(every(world.signs[code]))
        yield isnt(every(world.before[code]))
        if sign.get("lasting") == "true":  # an earlier answer would be used now
            yield isnt(known(world.before[code]))
    for each in world.earlier.values():
        yield every((each.day >= 2, each.day <= 20))


def _readings(content: Content, world: World) -> Iterator[Flag]:
    for kind, measure in content.measures.items():
        low, high = (int(number(measure["possible"][end])[0] * SCALE) for end in ("from", "to"))
        readings = [world.last[kind], world.before_values[kind]]
        if kind in world.first:
            readings.append(world.first[kind])
            yield if_then(world.first[kind].there, world.last[kind].there)
            yield isnt(world.first[kind].inner)
        for reading in readings:
            yield every((reading.value >= low, reading.value <= high))
        if measure.get("lasting") == "true":  # an earlier one would be used now
            yield isnt(world.before_values[kind].there)
        yield isnt(world.before_values[kind].inner)
        if "sites-that-exclude" not in measure:
            yield isnt(world.last[kind].inner)
        for reading in readings:
            yield reading.value % step_of(measure) == 0


def step_of(measure: dict[str, Any]) -> int:
    """As fine as such a thing is written down: whole counts, tenths, 10 grams."""
    return {"/min": 1000, "%": 1000, "wk": 1000, "kg": 10}.get(measure["unit"], 100)


def _ages(content: Content, world: World) -> Iterator[Flag]:
    below = int(number(content.protocol["age-below"])[0])
    age, hours = world.age, world.hours
    yield every((age.low >= 0, age.low <= age.high, age.high < below))
    yield every((hours.low <= hours.high, hours.low >= 0))
    yield every((hours.low >= 24 * (age.low - 1), hours.high <= 24 * (age.high + 1)))
    yield hours.there == age.there if isinstance(age.there, z3.BoolRef) else True


def _weights(content: Content, world: World) -> Iterator[Flag]:
    """A weight that the program takes for a slip is none (clinical content, section 5)."""
    limits = content.protocol["weight-limits"]
    weight, born = world.last["weight"], world.last["birth-weight"]
    yield weight.value < int(number(limits["weigh-again-from"])[0] * SCALE)
    heaviest = heavier(content, number(limits["z-high"])[0])
    for day in range(len(heaviest["male"])):
        top = min(heaviest[sex][day] for sex in SEXES)
        yield if_then(world.age.low == day, compare("at-most", weight.value, top - 1))
    newborn = world.age.low < int(number(limits["newborn-until"])[0])
    yield if_then(every((newborn, born.there)), weight.value == born.value)


def assessed(content: Content, encoded: Encoded) -> list[Flag]:
    """All that the tables require is known; what is optional may be unknown still."""
    return [
        *(_answered(content, encoded)),
        *(_measured(content, encoded.world)),
        *(_exactly_known(encoded.world)),
    ]


def _answered(content: Content, encoded: Encoded) -> Iterator[Flag]:
    for code, sign in content.signs.items():
        required = sign.get("required", [])
        if required == "always":
            yield known(encoded.sign(code))
        elif required:
            asked = some(encoded.sign(other).yes for other in required)
            yield if_then(asked, known(encoded.sign(code)))


def _measured(content: Content, world: World) -> Iterator[Flag]:
    for kind, measure in content.measures.items():
        if measure.get("required") == "always":
            yield world.last[kind].there
            yield isnt(world.last[kind].inner)
    for kind, limits in _confirmed(content).items():
        for op, limit in limits:
            repeated = every((world.first[kind].there, isnt(world.far_apart[kind])))
            yield if_then(compare(op, world.last[kind].value, limit), repeated)


def _confirmed(content: Content) -> dict[str, list[tuple[str, Fraction]]]:
    found: dict[str, list[tuple[str, Fraction]]] = {}
    for table in content.tables.values():
        for row in table["rows"]:
            for test in leaves(row["when"]) if "when" in row else ():
                if isinstance(test, dict) and test.get("confirmed") == "true":
                    op = next(op for op in ("below", "at-most", "at-least", "above") if op in test)
                    found.setdefault(test["measure"], []).append((op, number(test[op])[0] * SCALE))
    return found


def _exactly_known(world: World) -> Iterator[Flag]:
    yield every((world.age.there, world.age.low == world.age.high))
    yield every((world.hours.there, world.hours.low == world.hours.high))
    yield world.hours.low >= 24 * world.age.low
    yield world.hours.low < 24 * (world.age.low + 1)
    yield every((world.sex, world.last["weight"].there))
    for each in world.earlier.values():
        yield if_then(each.there, each.dated)
