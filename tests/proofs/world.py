"""One infant as the outside world may send it: of z3 variables, or of plain values.

Measured values are whole thousandths of their unit (3400 is 3.4 kg), so that every value that
z3 finds can be written down exactly.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import z3

from tests.proofs.content import Content
from tests.proofs.kleene import Flag, Truth

Whole = Any
"""int or z3.ArithRef."""
SCALE = 1000
SEXES = ("male", "female")


class Reading(NamedTuple):
    """One measured value; `inner`: a temperature that was not taken under the arm."""

    there: Flag
    value: Whole
    inner: Flag


class Span(NamedTuple):
    """What a whole number lies between, both included."""

    there: Flag
    low: Whole
    high: Whole


class Earlier(NamedTuple):
    """A class of an earlier visit; `day` of treatment is 1 on the day of that visit."""

    there: Flag
    dated: Flag
    day: Whole


@dataclass
class World:
    """What is known of one infant, as sent: nothing is concluded here."""

    signs: dict[str, Truth]
    last: dict[str, Reading]
    first: dict[str, Reading]
    """The count before the last, of what is counted twice."""
    far_apart: dict[str, Flag]
    """Whether the two counts are too far apart in time to confirm each other."""
    age: Span
    hours: Span
    sex: Flag
    male: Flag
    earlier: dict[str, Earlier]
    before: dict[str, Truth]
    """Answers of an earlier visit."""
    before_values: dict[str, Reading]
    flat: dict[str, Any] = field(default_factory=dict)
    """Every part by a name of its own, such as "sign convulsions yes"."""

    def __post_init__(self) -> None:
        self.flat = dict(self._parts())

    def _parts(self) -> Iterator[tuple[str, Any]]:
        for name in ("signs", "last", "first", "earlier", "before", "before_values"):
            for code, part in getattr(self, name).items():
                for key, value in part._asdict().items():
                    yield f"{name}/{code}/{key}", value
        for code, flag in self.far_apart.items():
            yield f"far_apart/{code}/flag", flag
        for name in ("age", "hours"):
            for key, value in getattr(self, name)._asdict().items():
                yield f"{name}//{key}", value
        yield "sex//there", self.sex
        yield "sex//male", self.male


def classes(content: Content) -> list[str]:
    """Every class, in file order."""
    return [row["class"] for table in content.tables.values() for row in table["rows"]]


def world(content: Content, name: str = "") -> World:
    """A world of z3 variables; those of another `name` are others."""

    def truth(kind: str, code: str) -> Truth:
        return Truth(
            z3.Bool(f"{name}{kind}/{code}/yes"),
            z3.Bool(f"{name}{kind}/{code}/no"),
        )

    def reading(kind: str, code: str) -> Reading:
        at = f"{name}{kind}/{code}"
        return Reading(z3.Bool(f"{at}/there"), z3.Int(f"{at}/value"), z3.Bool(f"{at}/inner"))

    def span(kind: str) -> Span:
        at = f"{name}{kind}/"
        return Span(z3.Bool(f"{at}/there"), z3.Int(f"{at}/low"), z3.Int(f"{at}/high"))

    def earlier(code: str) -> Earlier:
        at = f"{name}earlier/{code}"
        return Earlier(z3.Bool(f"{at}/there"), z3.Bool(f"{at}/dated"), z3.Int(f"{at}/day"))

    twice = [code for code, each in content.measures.items() if "repeat-within" in each]
    return World(
        signs={code: truth("signs", code) for code in content.signs},
        last={code: reading("last", code) for code in content.measures},
        first={code: reading("first", code) for code in twice},
        far_apart={code: z3.Bool(f"{name}far_apart/{code}") for code in twice},
        age=span("age"),
        hours=span("hours"),
        sex=z3.Bool(f"{name}sex//there"),
        male=z3.Bool(f"{name}sex//male"),
        earlier={code: earlier(code) for code in classes(content)},
        before={code: truth("before", code) for code in content.signs},
        before_values={code: reading("before_values", code) for code in content.measures},
    )


def found(symbolic: World, model: z3.ModelRef) -> World:
    """The plain world that a model describes."""

    def plain(value: Any) -> Any:
        known = model.eval(value, model_completion=True)
        return z3.is_true(known) if z3.is_bool(known) else known.as_long()

    return mapped(symbolic, lambda _, value: plain(value))


def mapped(base: World, change: Any) -> World:
    """The same world with each part put through `change(name, part)`."""

    def parts(name: str) -> dict[str, Any]:
        return {
            code: type(part)(
                *(change(f"{name}/{code}/{key}", v) for key, v in part._asdict().items())
            )
            for code, part in getattr(base, name).items()
        }

    def span(name: str) -> Span:
        given = getattr(base, name)
        return Span(*(change(f"{name}//{key}", v) for key, v in given._asdict().items()))

    return World(
        signs=parts("signs"),
        last=parts("last"),
        first=parts("first"),
        far_apart={c: change(f"far_apart/{c}/flag", f) for c, f in base.far_apart.items()},
        age=span("age"),
        hours=span("hours"),
        sex=change("sex//there", base.sex),
        male=change("sex//male", base.male),
        earlier=parts("earlier"),
        before=parts("before"),
        before_values=parts("before_values"),
    )
