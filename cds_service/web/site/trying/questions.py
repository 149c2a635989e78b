"""The questions of the protocol as fields of a form, read from its Questionnaire.

A field of a sign or measure has its code as name; what stands beside it begins with that code.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import NamedTuple

from cds_service.content.bidi import runs_left
from cds_service.content.model import Measure
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_form import ANSWERS, questionnaire
from cds_service.fhir.codes import GROUP
from cds_service.fhir.terms import SITE_BY_SNOMED
from cds_service.fhir.write_json import Json
from cds_service.quantity import Quantity

UNIT, SITE, AGAIN = ".unit", ".site", ".again"
"""Ends of the names of what stands beside a measurement."""
BORN, BORN_AT, AGE, SEX, LANGUAGE, STOCK = "born", "born-at", "age", "sex", "language", "stock"
NOT_ASSESSED = "not-assessed"
"""What a sign is until somebody answers: unknown, never absent."""
SEXES = ("female", "male")
SITES = tuple(dict.fromkeys(SITE_BY_SNOMED.values()))
"""Where a temperature may have been taken; the first is where it is asked for."""
ANSWERED = tuple(code for code, _ in ANSWERS)


class Question(NamedTuple):
    """One question; `units` only of a measurement."""

    code: str
    text: str
    only_if: tuple[str, ...] = ()
    """Codes of the questions of which one has to be YES before this one matters."""
    units: tuple[str, ...] = ()
    sites: bool = False
    twice: bool = False


class Group(NamedTuple):
    """Questions that belong to one table."""

    code: str
    text: str
    questions: tuple[Question, ...]


class Form(NamedTuple):
    """All that is asked, in the order of the tables."""

    groups: tuple[Group, ...]
    stock: tuple[tuple[str, str], ...]
    """Code and name of each product that may be in stock."""
    languages: tuple[tuple[str, bool], ...]
    """Tag of each language that the caregiver's words are in, and whether it runs left."""

    def texts(self) -> dict[str, str]:
        """The words of each question, by its code."""
        return {each.code: each.text for group in self.groups for each in group.questions}


def form_of(protocol: Protocol, base: str) -> Form:
    """The form of a protocol."""
    asked = questionnaire(protocol, base)["item"]
    return Form(
        tuple(Group(_code(one), one["text"], tuple(_questions(protocol, one))) for one in asked),
        tuple(
            (form.code, protocol.text_by_key[f"formulation.{form.code}"])
            for _, form in protocol.formulations
        ),
        tuple((tag, _runs_left(protocol, tag)) for tag in protocol.languages),
    )


def _code(group: Json) -> str:
    return str(group["linkId"].removeprefix(GROUP))


def _questions(protocol: Protocol, group: Json) -> Iterator[Question]:
    for item in group["item"]:
        code = item["linkId"]
        conditions = item.get("enableWhen", ())
        only_if = tuple(each["question"] for each in conditions if "answerCoding" in each)
        measure = protocol.measure_by_code.get(code)
        if measure is None:
            yield Question(code, item["text"], only_if)
            continue
        twice = measure.repeat_within is not None
        sites = bool(measure.sites_that_exclude)
        yield Question(code, item["text"], (), units_of(measure), sites, twice)


def units_of(measure: Measure) -> tuple[str, ...]:
    """The units to choose from; another spelling of the same unit is no choice."""
    one = {unit: Quantity(Decimal(1), unit).to(measure.kept_in(unit)) for unit in measure.units}
    same = Quantity(Decimal(1), measure.unit)
    return tuple(unit for unit, size in one.items() if unit == measure.unit or size != same)


def _runs_left(protocol: Protocol, tag: str) -> bool:
    catalogue = protocol.catalogue_by_language.get(tag)
    return catalogue is not None and catalogue.runs_left


def direction(text: str) -> str:
    """ "rtl" for a text with letters that run left, else "ltr"."""
    return "rtl" if runs_left(text) else "ltr"
