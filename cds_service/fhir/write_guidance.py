"""The GuidanceResponse: how complete the answer is, and what would complete it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import orjson

from cds_service.case import Answer
from cds_service.content.model import EARLIER, Message
from cds_service.engine.assessment_model import Missing, RowResult
from cds_service.engine.phrase import asked, fact
from cds_service.fhir.codes import ATC, LOINC
from cds_service.fhir.write_base import Pen, pointer, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_template import blank, escaped, members, more
from cds_service.fhir.write_told import untranslated

ROLE = "guidance-response"


def guidance_response(house: House) -> Json:
    """The first resource of the answer; its id is the id of the decision."""
    return {
        **start("GuidanceResponse", ROLE),
        "moduleCanonical": house.canonical,
        "status": blank("status"),
        **who_and_when("occurrenceDateTime"),
        "performer": {"display": house.title("write.device")},
        "result": pointer("care-plan"),
        more("notes"): None,
        more("needed"): None,
    }


def guidance(pen: Pen, unmet: str) -> tuple[bytes, bytes]:
    """The `note` and the `dataRequirement`: what is open, and what a system is asked for.

    `unmet` is a language that was asked for and of which there are no texts.
    """
    asked_for = [_asked(pen.house, missing) for missing in pen.decision.plan.missing]
    notes = [
        *_undecided(pen),
        *[each.note for each in asked_for],
        *_not_recorded(pen),
        *_other_language(pen, unmet),
    ]
    needed = members("dataRequirement", [each.requirement for each in asked_for])
    return members("note", [b'{"text":"%b"}' % note for note in notes]), needed


@dataclass(frozen=True, slots=True)
class _Asked:
    """One missing fact, for people and for systems."""

    note: bytes
    requirement: bytes


def _asked(house: House, missing: Missing) -> _Asked:
    key = ("asked", missing.code, missing.why)
    return house.kept(key, lambda: _made_asked(house, missing))


def _made_asked(house: House, missing: Missing) -> _Asked:
    note = escaped(house.text(asked(house.protocol, missing)))
    return _Asked(note, orjson.dumps(_requirement(house, missing.code)))


def _requirement(house: House, code: str) -> Json:
    """The Observation of a sign or measure, the dose of a medicine, or the birth date."""
    if code == "age":
        return {"type": "Patient", "mustSupport": ["birthDate"]}
    if code == "sex":
        return {"type": "Patient", "mustSupport": ["gender"]}
    if code.startswith(EARLIER):
        given = house.own("classification", code.removeprefix(EARLIER))
        filters = [{"path": "code", "code": [given]}]
        return {"type": "Condition", "mustSupport": ["recordedDate"], "codeFilter": filters}
    medicine = house.protocol.medicine_by_code.get(code)
    if medicine is not None:
        given = {"path": "medication", "code": [{"system": ATC, "code": medicine.atc}]}
        must = ["status", "effective"]
        return {"type": "MedicationAdministration", "mustSupport": must, "codeFilter": [given]}
    measure = house.protocol.measure_by_code.get(code)
    loinc = measure.loinc if measure is not None else ()
    codes = [{"system": LOINC, "code": each} for each in loinc] or [house.own("finding", code)]
    wanted = {"path": "code", "code": codes}
    return {"type": "Observation", "mustSupport": ["value"], "codeFilter": [wanted]}


def _undecided(pen: Pen) -> Iterator[bytes]:
    for result in pen.decision.assessment.rows:
        if result.answer is Answer.NOT_ASSESSED:
            yield pen.house.words(_open_row(pen.house, result))


def _open_row(house: House, result: RowResult) -> Message:
    row = ("class", Message(f"class.{result.row.code}"))
    tests = (test for test in result.tests if test.answer is Answer.NOT_ASSESSED)
    unknown = dict.fromkeys(test.what for test in tests)
    if not unknown:
        return Message("undecided", (row,))
    return Message("write.undecided", (row, ("needs", "; ".join(map(house.text, unknown)))))


def _not_recorded(pen: Pen) -> Iterator[bytes]:
    house, codes = pen.house, pen.decision.assessment.not_recorded
    if codes:
        yield house.kept(("not-recorded", codes), lambda: _made_not_recorded(house, codes))


def _made_not_recorded(house: House, codes: Sequence[str]) -> bytes:
    facts = "; ".join(house.text(fact(house.protocol, code)) for code in codes)
    return escaped(house.text(Message("write.not-recorded", (("facts", facts),))))


def _other_language(pen: Pen, unmet: str) -> Iterator[bytes]:
    """What the caller is told about the language; what a caller wrote is not kept."""
    house = pen.house
    if unmet:
        told = (("language", unmet), ("used", house.language))
        yield escaped(house.text(Message("write.language", told)))
    if count := untranslated(house, pen.decision.plan):
        told = (("language", house.language), ("count", str(count)))
        yield escaped(house.text(Message("write.untranslated", told)))
