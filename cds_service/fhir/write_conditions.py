"""Conditions: one for each class that holds, with the facts that made it hold."""

from collections.abc import Sequence
from dataclasses import dataclass

import orjson

from cds_service.case import Answer
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Class, Test
from cds_service.engine.phrase import cited
from cds_service.fhir.codes import (
    CONDITION_CATEGORY,
    CONDITION_CLINICAL,
    CONDITION_VERIFICATION,
    LOINC,
)
from cds_service.fhir.write_base import Pen, entry, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, references
from cds_service.fhir.write_template import Template, blank, escaped, members, more

_ACTIVE = {"coding": [{"system": CONDITION_CLINICAL, "code": "active"}]}
_CATEGORY = [{"coding": [{"system": CONDITION_CATEGORY, "code": "encounter-diagnosis"}]}]


@dataclass(frozen=True, slots=True)
class _Fact:
    """One tested fact in words: its line of the trace, and its code as evidence."""

    said: str
    line: bytes
    code: bytes


def condition(pen: Pen, held: Class) -> bytes:
    """The Condition of one class: differential while a row above it is undecided."""
    house, key = pen.house, ("class", held.code, held.cite, held.open_above)
    facts = [_fact(house, test) for test in held.tests]
    return pen.fill(
        house.kept(key, lambda: Template.of(entry(_condition(house, held)))),
        tests=b"".join([fact.line for fact in facts]),
        evidence=members("evidence", _evidence(held.tests, facts)),
    )


def _condition(house: House, held: Class) -> Json:
    status = "differential" if held.open_above else "provisional"
    coding = house.own("classification", held.code)
    return {
        **start("Condition", f"class.{held.code}"),
        "clinicalStatus": _ACTIVE,
        "verificationStatus": {"coding": [{"system": CONDITION_VERIFICATION, "code": status}]},
        "category": _CATEGORY,
        "code": {"coding": [coding], "text": house.title(f"class.{held.code}")},
        **who_and_when("recordedDate"),
        "note": [{"text": _trace(house, held)}],
        more("evidence"): None,
    }


def _trace(house: House, held: Class) -> str:
    """The rule, the tests, and what is still undecided, a line each."""
    rule = (("rule", held.code), ("cited", cited(held.cite)))
    above = [
        house.text(Message("trace.open-above", (("class", Message(f"class.{code}")),)))
        for code in held.open_above
    ]
    return "\n".join((house.text(Message("trace.rule", rule)) + blank("tests"), *above))


def _fact(house: House, test: Test) -> _Fact:
    key = ("test", test.what, test.answer, test.cite, test.fact)
    return house.kept(key, lambda: _made_fact(house, test))


def _made_fact(house: House, test: Test) -> _Fact:
    said, answer = house.text(test.what), Message(f"answer.{test.answer.value}")
    told = (("what", said), ("answer", answer), ("cited", cited(test.cite)))
    line = escaped("\n" + house.text(Message("trace.test", told)))
    return _Fact(said, line, orjson.dumps({"text": said} | _coded(house, test.fact)))


def _coded(house: House, fact: str) -> Json:
    if fact in house.protocol.sign_by_code:
        return {"coding": [house.own("finding", fact)]}
    measure = house.protocol.measure_by_code.get(fact)
    return {"coding": [{"system": LOINC, "code": measure.loinc[0]}]} if measure else {}


def _evidence(tests: Sequence[Test], facts: Sequence[_Fact]) -> list[bytes]:
    # A class that says that nothing was found rests on its negative answers.
    answers = [test.answer for test in tests]
    spoken = Answer.YES if Answer.YES in answers else Answer.NO
    return [
        b'{"code":[%b]%b}' % (fact.code, members("detail", references(test.origins, fact.said)))
        for test, fact in zip(tests, facts, strict=True)
        if test.answer is spoken
    ]
