"""The Questionnaire of a protocol: one item for each sign and measure, in the order of the tables.

FHIR R4 questionnaire.html. A sign has three answers; a measure its units, when and where it was
taken. What is asked only of some infants is enabled by the answers that say so.
"""

from collections.abc import Iterator

from cds_service.content.model import (
    FindingTest,
    Group,
    Measure,
    Sign,
    Table,
    finding_tests,
)
from cds_service.content.treatment import VOMITED, Protocol
from cds_service.fhir import terms
from cds_service.fhir.artefacts_base import headed, heading, words
from cds_service.fhir.artefacts_text import translated_text
from cds_service.fhir.codes import (
    GROUP,
    LOINC,
    SITE,
    SNOMED,
    TIME,
    UCUM,
    own_system,
    questionnaire_id,
)
from cds_service.fhir.write_json import Json

ANSWERS = (("yes", "Yes"), ("no", "No"), ("not-assessed", "Not assessed"))
"""Our three answers and their names: unknown is one of them, never the same as no."""
_UNIT_OPTION = "http://hl7.org/fhir/StructureDefinition/questionnaire-unitOption"
_SITES = {code: site for site, code in reversed(list(terms.SITE_BY_SNOMED.items()))}
"""SNOMED CT code of each site of a temperature, by our name of it."""
_ABOUT = (
    "Asks exactly what the protocol asks. A question that is not answered, or answered with "
    "not-assessed, is unknown and never taken as no. Send the QuestionnaireResponse in the data "
    "of $apply, with the infant as its subject."
)


def questionnaire(protocol: Protocol, base: str) -> Json:
    """The Questionnaire; its linkIds are the codes of the signs and measures."""
    draft = words(protocol, "artefact.draft")
    name = questionnaire_id(protocol.id)
    title = f"Questions: {protocol.title}"
    started = headed(protocol, base, "Questionnaire", name, title, f"{_ABOUT} {draft}")
    return started | {"subjectType": ["Patient"], "item": list(_groups(protocol, base))}


def _groups(protocol: Protocol, base: str) -> Iterator[Json]:
    yield _group("measures", "Measured", [_measure(protocol, each) for each in protocol.measures])
    left = dict(protocol.sign_by_code)
    for table in protocol.tables:
        asked = [left.pop(code) for code in _asked(protocol, table) if code in left]
        if asked:
            gate = _gate(table)
            items = [_sign(protocol, base, sign, gate) for sign in asked]
            yield _group(table.code, heading(protocol, table.code), items)
    others = [_sign(protocol, base, sign, ()) for sign in left.values()]
    yield _group("circumstances", "Circumstances, allergies and medicines", others)


def _group(code: str, text: str, items: list[Json]) -> Json:
    return {"linkId": f"{GROUP}{code}", "text": text, "type": "group", "item": items}


def _asked(protocol: Protocol, table: Table) -> list[str]:
    """The signs of a table in its order, each after those that only serve to answer it."""
    tables = protocol.tables_by_sign
    before = [sign for sign in protocol.implying_signs if sign.code not in tables]
    conditions = [table.when, *(row.when for row in table.rows)]
    tested = [test.code for when in conditions if when is not None for test in finding_tests(when)]
    return [
        code
        for sign in tested
        for code in (
            *(each.code for each in before if _implies(each, sign)),
            sign,
        )
    ]


def _implies(sign: Sign, code: str) -> bool:
    return any(each.code == code for each in sign.implies)


def _gate(table: Table) -> tuple[str, ...]:
    """The signs of which one says that a table is for this infant; none when others say it."""
    when = table.when
    if isinstance(when, FindingTest):
        return (when.code,)
    if isinstance(when, Group) and when.kind == "any":
        return tuple(each.code for each in when.items if isinstance(each, FindingTest))
    return ()


def _sign(protocol: Protocol, base: str, sign: Sign, gate: tuple[str, ...]) -> Json:
    codings = [{"system": own_system(base, "finding"), "code": sign.code}]
    codings += [{"system": SNOMED, "code": code} for code in sign.snomed]
    item: Json = {"linkId": sign.code, "code": codings, "type": "choice"}
    item |= translated_text(protocol, f"sign.{sign.code}")
    needed = sign.required_when or tuple(c for c in gate if c in protocol.sign_by_code)
    conditions: list[Json] = [
        {"question": code, "operator": "=", "answerCoding": _answer(base, "yes")}
        for code in needed
        if code != sign.code
    ]
    if sign.only_without:
        without = {"question": sign.only_without, "operator": "exists", "answerBoolean": False}
        conditions.append(without)
    if conditions:
        item["enableWhen"] = conditions
    if len(conditions) > 1:
        item["enableBehavior"] = "any"
    options = [
        {"valueCoding": _answer(base, code) | {"display": display}} for code, display in ANSWERS
    ]
    item["answerOption"] = options
    if sign.code == VOMITED or sign.lasting:
        item["item"] = [_time(sign.code)]
    return item


def _answer(base: str, code: str) -> Json:
    return {"system": own_system(base, "answer"), "code": code}


def _measure(protocol: Protocol, measure: Measure) -> Json:
    item: Json = {
        "linkId": measure.code,
        "code": [{"system": LOINC, "code": code} for code in measure.loinc],
        "type": "quantity",
    }
    item |= translated_text(protocol, f"measure.{measure.code}")
    if measure.repeat_within is not None:
        item["repeats"] = True
    beside = [_time(measure.code)]
    if measure.sites_that_exclude:
        beside.append(_site(measure.code))
    options = [
        {"url": _UNIT_OPTION, "valueCoding": {"system": UCUM, "code": unit, "display": unit}}
        for unit in measure.units
    ]
    return {"extension": options} | item | {"item": beside}


def _time(code: str) -> Json:
    text = "When it was so, if not when this form was filled in"
    return {"linkId": f"{code}{TIME}", "text": text, "type": "dateTime"}


def _site(code: str) -> Json:
    options = [
        {"valueCoding": {"system": SNOMED, "code": number, "display": site}}
        for site, number in _SITES.items()
    ]
    item: Json = {"linkId": f"{code}{SITE}", "text": "Where it was measured", "type": "choice"}
    return item | {"answerOption": options}
