"""Conditions: one for each class that holds, with the facts that made it hold."""

from collections.abc import Iterator, Sequence
from functools import partial

from cds_service.case import Answer
from cds_service.content.model import Message
from cds_service.engine.model import Class, Test
from cds_service.fhir.codes import (
    CONDITION_CATEGORY,
    CONDITION_CLINICAL,
    CONDITION_VERIFICATION,
    LOINC,
)
from cds_service.fhir.write_base import Pen
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, references

_ACTIVE = {"coding": [{"system": CONDITION_CLINICAL, "code": "active"}]}
_CATEGORY = [{"coding": [{"system": CONDITION_CATEGORY, "code": "encounter-diagnosis"}]}]
_STATUS = {
    code: {"coding": [{"system": CONDITION_VERIFICATION, "code": code}]}
    for code in ("provisional", "differential")
}


def condition(pen: Pen, held: Class) -> Json:
    """The Condition of one class: differential while a row above it is undecided."""
    status = "differential" if held.open_above else "provisional"
    coding = pen.house.own("classification", held.code)
    words = [pen.house.text(test.what) for test in held.tests]
    resource = {
        **pen.start("Condition", f"class.{held.code}"),
        "clinicalStatus": _ACTIVE,
        "verificationStatus": _STATUS[status],
        "category": _CATEGORY,
        "code": {"coding": [coding], "text": pen.house.title(f"class.{held.code}")},
        **pen.who,
        "recordedDate": pen.as_of,
        "note": [{"text": "\n".join(_trace(pen, held, words))}],
    }
    evidence = list(_evidence(pen, held.tests, words))
    return resource | ({"evidence": evidence} if evidence else {})


def _evidence(pen: Pen, tests: Sequence[Test], words: Sequence[str]) -> Iterator[Json]:
    # A class that says that nothing was found rests on its negative answers.
    spoken = Answer.YES if any(test.answer is Answer.YES for test in tests) else Answer.NO
    for test, said in zip(tests, words, strict=True):
        if test.answer is spoken:
            code = {"text": said} | _coded(pen, test.fact)
            detail = references(test.origins, said)
            yield {"code": [code], "detail": detail} if detail else {"code": [code]}


def _coded(pen: Pen, fact: str) -> Json:
    protocol = pen.house.protocol
    if fact in protocol.sign_by_code:
        return {"coding": [pen.house.own("finding", fact)]}
    measure = protocol.measure_by_code.get(fact)
    return {"coding": [{"system": LOINC, "code": measure.loinc[0]}]} if measure else {}


def _trace(pen: Pen, held: Class, words: Sequence[str]) -> Iterator[str]:
    house = pen.house
    rule = (("rule", held.code), ("cited", house.cited(held.cite)))
    yield house.text(Message("trace.rule", rule))
    for test, said in zip(held.tests, words, strict=True):
        yield house.kept(("trace", said, test.answer, test.cite), partial(_line, house, test, said))
    for code in held.open_above:
        yield house.text(Message("trace.open-above", (("class", Message(f"class.{code}")),)))


def _line(house: House, test: Test, said: str) -> Message:
    answer = Message(f"answer.{test.answer.value}")
    return Message(
        "trace.test", (("what", said), ("answer", answer), ("cited", house.cited(test.cite)))
    )
