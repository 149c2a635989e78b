"""What was changed in the form, what of the answer changed with it, and why."""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from cds_service.engine.phrase import unit_name
from cds_service.fhir.changes import care_differences
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


class Input(NamedTuple):
    """One value that is another one now."""

    name: str
    before: str
    now: str


class Changed(NamedTuple):
    """What differs between two answers, and between what was asked."""

    inputs: tuple[Input, ...]
    effects: tuple[str, ...]
    """In words, the worst first."""
    gone: tuple[Held, ...]
    """Classes that hold no more, with the reasons of then."""
    come: tuple[Held, ...]


def changed(
    before: Filled, now: Filled, bodies: tuple[bytes, bytes], answers: tuple[Answer, Answer],
    form: Form, say: Words,
) -> Changed:  # fmt: skip
    """Compare two requests and their answers, the earlier first."""
    then, today = ({held.name: held for held in answer.classes} for answer in answers)
    return Changed(
        tuple(_inputs(before, now, form, say)),
        care_differences(*bodies),
        tuple(held for name, held in then.items() if name not in today),
        tuple(held for name, held in today.items() if name not in then),
    )


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
