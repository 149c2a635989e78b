"""What was changed in the form, what of the answer changed with it, and why."""

import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from cds_service.engine.phrase import unit_name
from cds_service.fhir.changes import Kind, changes
from cds_service.fhir.gist import gist
from cds_service.web.site.trying.answer import Answer, Held
from cds_service.web.site.trying.filled import Filled
from cds_service.web.site.trying.questions import (
    AGAIN,
    ANSWERED,
    BORN,
    BORN_AT,
    LANGUAGE,
    NOT_ASSESSED,
    SEX,
    SITE,
    UNIT,
    Form,
    Question,
)
from cds_service.web.site.words import Words

_CODE = re.compile(r"(?<=(?:less|more): )[a-z0-9-]+(?=;|$)")
"""A code in what the comparison of two answers says of what is to be found out."""


class Input(NamedTuple):
    """One value that is another one now."""

    name: str
    before: str
    now: str


class Effect(NamedTuple):
    """One thing that the answer says otherwise: what kind it is, and what."""

    kind: str
    words: str


class Changed(NamedTuple):
    """What differs between two answers, and between what was asked."""

    inputs: tuple[Input, ...]
    effects: tuple[Effect, ...]
    """The worst first; none when the answer says the same."""
    gone: tuple[Held, ...]
    """Classes that hold no more, with the reasons of then."""
    come: tuple[Held, ...]


def changed(
    before: Filled, now: Filled, bodies: tuple[bytes, bytes], answers: tuple[Answer, Answer],
    form: Form, names: Mapping[str, str], say: Words,
) -> Changed:  # fmt: skip
    """Compare two requests and their answers, the earlier first.

    `names` are those of what an answer asks for, by its codes.
    """
    then, today = ({held.name: held for held in answer.classes} for answer in answers)
    return Changed(
        tuple(_inputs(before, now, form, say)),
        tuple(_effects(bodies, names)),
        tuple(held for name, held in then.items() if name not in today),
        tuple(held for name, held in today.items() if name not in then),
    )


def _effects(bodies: tuple[bytes, bytes], names: Mapping[str, str]) -> Iterator[Effect]:
    for change in changes(*map(gist, bodies)):
        words = _CODE.sub(lambda found: names.get(found[0], found[0]), change.words)
        what, _, amounts = words.partition(": ")
        before, _, now = amounts.partition(" -> ")
        if change.kind is Kind.REFERRAL_LOST:
            words = ""  # its kind has said it
        elif before == now:
            words = what
        yield Effect(change.kind.words, words)


def _inputs(before: Filled, now: Filled, form: Form, say: Words) -> Iterator[Input]:
    for name in (BORN, BORN_AT, SEX, LANGUAGE):
        was, is_now = (_other(name, each.values, say) for each in (before, now))
        if was != is_now:
            yield Input(say(f"ask.{name}"), was, is_now)
    for group in form.groups:
        for each in group.questions:
            was, is_now = (_said(each, of.values, say) for of in (before, now))
            if was != is_now:
                yield Input(each.text, was, is_now)
    names = dict(form.stock)
    stocks = [", ".join(names.get(code, code) for code in of.stock) for of in (before, now)]
    if stocks[0] != stocks[1]:
        yield Input(say("ask.stock"), *(each or say("nothing-said") for each in stocks))


def _other(name: str, values: Mapping[str, str], say: Words) -> str:
    value = values.get(name, "")
    if name == SEX and value:
        return say(f"sex.{value}")
    return value or say("nothing-said")


def _said(asked: Question, values: Mapping[str, str], say: Words) -> str:
    value = values.get(asked.code, "")
    if not asked.units:
        return say(f"answer.{value if value in ANSWERED else NOT_ASSESSED}")
    if not value:
        return say(f"answer.{NOT_ASSESSED}")
    unit = unit_name(values.get(asked.code + UNIT, asked.units[0]))
    site = values.get(asked.code + SITE, "")
    again = values.get(asked.code + AGAIN, "")
    counts = f"{value}, {again}" if again else value
    return f"{counts} {unit}" + (f" ({say(f'site.{site}')})" if site else "")
