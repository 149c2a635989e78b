"""A plain world written down shortly: only what differs from an ordinary, healthy infant.

The ordinary infant is a girl of 12 days with every sign asked about and absent, 3.4 kg, 36.8 Cel
and 48 breaths a minute at the first count and at the second, at her first visit.
"""

from collections.abc import Mapping
from typing import Any

from tests.proofs.content import Content
from tests.proofs.kleene import NO, UNKNOWN, YES, Truth
from tests.proofs.world import Earlier, Reading, Span, World, classes, mapped

_ORDINARY = {"weight": 3400, "temperature": 36800, "respiratory-rate": 48000}
_WORDS: dict[Truth, str] = {YES: "yes", NO: "no", UNKNOWN: "unknown"}
_TRUTHS = {word: truth for truth, word in _WORDS.items()}


def ordinary(content: Content) -> World:
    """The ordinary infant."""
    twice = [code for code, each in content.measures.items() if "repeat-within" in each]

    def reading(kind: str, *, there: bool = True) -> Reading:
        return Reading(there and kind in _ORDINARY, _ORDINARY.get(kind, 0), False)

    return World(
        signs=dict.fromkeys(content.signs, NO),
        last={kind: reading(kind) for kind in content.measures},
        first={kind: reading(kind) for kind in twice},
        far_apart=dict.fromkeys(twice, False),
        age=Span(True, 12, 12),
        hours=Span(True, 300, 300),
        sex=True,
        male=False,
        earlier=dict.fromkeys(classes(content), Earlier(False, True, 2)),
        before=dict.fromkeys(content.signs, UNKNOWN),
        before_values={kind: reading(kind, there=False) for kind in content.measures},
    )


def written(content: Content, world: World) -> dict[str, Any]:
    """What differs from the ordinary infant, by the names of the parts."""
    usual = _short(ordinary(content).flat)
    return {name: value for name, value in _short(world.flat).items() if value != usual[name]}


def read(content: Content, differing: Mapping[str, Any]) -> World:
    """The infant that was written down."""
    base = ordinary(content)
    usual = _short(base.flat)
    if strange := differing.keys() - usual.keys():
        raise ValueError(f"not a part of an infant: {sorted(strange)}")
    full = _long(usual | differing)
    return mapped(base, lambda name, _: full[name])


def _short(flat: Mapping[str, Any]) -> dict[str, Any]:
    """One name and value a fact: an answer is one word, a reading that is not there is null."""
    found: dict[str, Any] = {}
    for kind, code, parts in _parts(flat):
        if kind in ("signs", "before"):
            found[f"{kind} {code}"] = _WORDS[Truth(parts["yes"], parts["no"])]
        elif "there" in parts and kind != "sex":
            kept = {key: value for key, value in parts.items() if key != "there"}
            found[f"{kind} {code}".strip()] = kept if parts["there"] else None
        else:
            found |= {f"{kind} {code} {key}".replace("  ", " "): v for key, v in parts.items()}
    return found


def _long(short: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in short.items():
        kind, _, code = name.partition(" ")
        if kind in ("signs", "before"):
            found |= {f"{kind}/{code}/{key}": v for key, v in _TRUTHS[value]._asdict().items()}
        elif kind == "far_apart":
            found[f"{kind}/{code.removesuffix(' flag')}/flag"] = value
        elif kind == "sex":
            found[f"sex//{code}"] = value
        else:
            found[f"{kind}/{code}/there"] = value is not None
            filled = value if value is not None else _NOTHING[kind]
            found |= {f"{kind}/{code}/{key}": v for key, v in filled.items()}
    return found


_NO_READING = {"value": 0, "inner": False}
_NO_SPAN = {"low": 12, "high": 12}
_NOTHING: dict[str, dict[str, Any]] = {
    "last": _NO_READING,
    "first": _NO_READING,
    "before_values": _NO_READING,
    "age": _NO_SPAN,
    "hours": {"low": 300, "high": 300},
    "earlier": {"dated": True, "day": 2},
}


def _parts(flat: Mapping[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for name, value in flat.items():
        kind, code, key = name.split("/")
        found.setdefault((kind, code), {})[key] = value
    return [(kind, code, parts) for (kind, code), parts in found.items()]
