"""Infants to compare: values at and beside every limit, and random ones.

Limits are those of the clinical text (sections 2, 3, 5 and 7), written here from it and not from
the content.
"""

import random
from collections.abc import Iterator
from decimal import ROUND_FLOOR, Decimal
from itertools import combinations, product

from tests.changing import replace
from tests.cql.infants import BEFORE, EARLIER, SIGNS, Infant, weight_at

_AT = {
    "temperature": ("35.4", "35.49", "35.499", "35.5", "35.501", "37.9", "37.99", "37.999", "38",
                    "38.001", "38.1"),
    "oxygen-saturation": ("89", "89.9", "89.99", "90", "90.1", "91"),
    "weight": ("1.9", "1.999", "2", "2.001", "2.4", "2.499", "2.5", "2.501", "2.6", "3.5", "7.999",
               "8", "8.001"),
    "birth-weight": ("1.999", "2", "2.499", "2.5", "3.5"),
    "gestational-age": ("34", "34.9", "35", "35.1", "36", "36.9", "37", "37.1"),
}  # fmt: skip
_COUNTS = (29, 30, 31, 45, 59, 60, 61)
_DAYS = (0, 1, 2, 3, 6, 7, 8, 13, 14, 15, 28, 58, 59)
_HOURS = (0, 1, 23, 24, 25, 47, 48, 49)
_SINCE = (0, 1, 2, 3, 4, 6, 7, 8, None)
"""Days since an earlier visit: day 3, 4 and 8 of treatment are 2, 3 and 7 days later."""
_COURSE = ("course-better", "course-same", "course-worse")
_SEXES = ("male", "female", None)


def _bases() -> tuple[Infant, ...]:
    """A well infant, one with every gate open, one of whom nothing is known."""
    well = {code: code in ("feeding-well", "moves-on-own") for code in SIGNS}
    values = {"temperature": "37", "oxygen-saturation": "97", "gestational-age": "39"}
    known = Infant(10, None, well, values | {"weight": "3.2"}, (45,), "female")
    open_gates = well | {"jaundice": True, "diarrhoea": True, "feeding-well": False}
    return known, replace(known, signs=open_gates | {"moves-on-own": False}), Infant()


def edges() -> Iterator[Infant]:
    """Values at and beside every limit, and every answer of every sign and of every two."""
    for base in _bases():
        yield base
        yield from _value_edges(base)
        yield from _age_edges(base)
        yield from _growth_edges(base)
        yield from _visit_edges(base)
        for one, other in combinations(SIGNS, 2):
            for answers in product((True, False, None), repeat=2):
                yield replace(base, signs=_with(base.signs, (one, other), answers))


def _value_edges(base: Infant) -> Iterator[Infant]:
    for kind, values in _AT.items():
        for value in values:
            yield replace(base, values=base.values | {kind: value})
        yield replace(base, values={k: v for k, v in base.values.items() if k != kind})
    for hot, cold in product((True, False, None), repeat=2):
        signs = _with(base.signs, ("feels-hot", "feels-cold"), (hot, cold))
        yield replace(base, signs=signs, values={})
    for many in range(4):
        for days, counts in product((6, 7), product(_COUNTS, repeat=many)):
            yield replace(base, days=days, counts=counts)


def _age_edges(base: Infant) -> Iterator[Infant]:
    born = [(day, None) for day in _DAYS] + [(hour // 24, hour) for hour in _HOURS]
    for (days, hours), yellow in product(born, (True, False, None)):
        signs = _with(base.signs, ("jaundice",), (yellow,))
        for weeks, kg in product((*_AT["gestational-age"], None), (*_AT["weight"], None)):
            values = {k: v for k, v in (("gestational-age", weeks), ("weight", kg)) if v}
            yield replace(base, days=days, hours=hours, signs=signs, values=values)


def _growth_edges(base: Infant) -> Iterator[Infant]:
    """Weights beside -2 z and +5 z of each day and sex, and beside what a newborn may change."""
    for day, sex in product(range(60), _SEXES):
        for of, z, weeks in product("MF", (-2, 5), ("36.9", "37", None)):
            for kg in _beside(of, day, z):
                values = {"weight": kg} | ({"gestational-age": weeks} if weeks else {})
                yield replace(base, days=day, sex=sex, values=base.values | values)
    for day, born in product((0, 2, 3, 6, 7), ("1.9", "2.0", "3.0", "3.4")):
        yield replace(base, days=day, values={"birth-weight": born})
        for percent, grams in product((85, 120), (-1, 0, 1)):
            kg = Decimal(born) * percent / 100 + Decimal(grams) / 1000
            values = {"weight": str(kg), "birth-weight": born}
            yield replace(base, days=day, values=base.values | values)
    for hours, born in product(_HOURS, ("1.999", "2", "2.499", "2.5")):
        yield replace(base, days=hours // 24, hours=hours, values={"birth-weight": born})


def _beside(of: str, day: int, z: int) -> tuple[str, str]:
    """The grams below and above the weight at z."""
    low = Decimal(weight_at(of, day, z)).quantize(Decimal("0.001"), ROUND_FLOOR)
    return str(low), str(low + Decimal("0.001"))


def _visit_edges(base: Infant) -> Iterator[Infant]:
    """Each class of an earlier visit, by day and course, with each sign and each that is new."""
    for code, since in product(EARLIER, _SINCE):
        visit = replace(base, earlier=((code, since),))
        for answers in product((True, False, None), repeat=3):
            course = _with(base.signs, _COURSE, answers)
            yield replace(visit, signs=course)
            yield replace(visit, signs=course | {"severe-chest-indrawing": True})
            yield replace(visit, signs=course | {"umbilicus-red": True})
            yield replace(visit, signs=course, counts=(61, 62))
            yield replace(visit, signs=course, counts=(61,))
    for code, since in product(EARLIER, (1, 3, 7)):
        visit = replace(base, earlier=((code, since),))
        for sign, answer in product(SIGNS, (True, False, None)):
            yield replace(visit, signs=_with(base.signs, (sign,), (answer,)))
        for sign, now, then in product(BEFORE, (True, False, None), (True, False)):
            signs = _with(base.signs, (sign,), (now,))
            yield replace(visit, signs=signs, before={sign: then})
        for now, then in product(_AT["temperature"], repeat=2):
            values = base.values | {"temperature": now}
            yield replace(visit, values=values, temperature_before=then)
    for one, other in combinations(EARLIER, 2):
        for first, last in product(_SINCE, repeat=2):
            yield replace(base, earlier=((one, first), (other, last)))


def _with(
    signs: dict[str, bool], codes: tuple[str, ...], answers: tuple[bool | None, ...]
) -> dict[str, bool]:
    told = {code: value for code, value in signs.items() if code not in codes}
    return told | {c: a for c, a in zip(codes, answers, strict=True) if a is not None}


def drawn(draw: random.Random) -> Infant:
    """One infant at random: mostly well or mostly ill, mostly asked or mostly not."""
    yes, asked = draw.choice((0.0, 0.03, 0.1, 0.4)), draw.choice((0.5, 0.9, 0.97, 1.0))
    signs = {code: draw.random() < yes for code in SIGNS if draw.random() < asked}
    values = {kind: draw.choice(at) for kind, at in _AT.items() if draw.random() < asked}
    days, hours = draw.choice(_DAYS), None
    if draw.random() < 0.2:
        hours = draw.choice(_HOURS)
        days = hours // 24
    if draw.random() < 0.5:
        values["temperature"] = str(Decimal(draw.randrange(3550, 3800)) / 100)
    if draw.random() < 0.5:
        values["weight"] = draw.choice(_beside(draw.choice("MF"), days, draw.choice((-2, -2, 5))))
    if draw.random() < 0.5:
        values.pop("birth-weight", None)
    counts = tuple(draw.choice(_COUNTS) for _ in range(draw.choice((0, 1, 1, 2, 2, 3))))
    infant = Infant(days, hours, signs, values, counts, draw.choice(_SEXES))
    return _seen_before(infant, draw) if draw.random() < 0.5 else infant


def _seen_before(infant: Infant, draw: random.Random) -> Infant:
    """The same infant at a follow-up visit."""
    codes = draw.sample(EARLIER, draw.choice((1, 1, 1, 2)))
    known = draw.choice((0.0, 0.5, 1.0))
    return replace(
        infant,
        earlier=tuple((code, draw.choice(_SINCE)) for code in codes),
        before={code: draw.random() < 0.2 for code in BEFORE if draw.random() < known},
        temperature_before=draw.choice(("", "35.49", "36.8", "37.99", "38.0")),
    )
