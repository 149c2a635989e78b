"""The GuidanceResponse: how complete the answer is, and what would complete it."""

from collections.abc import Iterable, Sequence

from cds_service.case import Answer
from cds_service.content.model import Message
from cds_service.engine.model import Missing, RowResult
from cds_service.engine.phrase import asked, fact
from cds_service.fhir.write_base import Pen
from cds_service.fhir.write_json import Json

ROLE = "guidance-response"


def guidance_response(pen: Pen, language: str) -> Json:
    """The first resource of the answer; its id is the id of the decision."""
    decision = pen.decision
    resource = {
        "resourceType": "GuidanceResponse",
        "id": decision.id,
        "moduleCanonical": pen.house.canonical,
        "status": decision.plan.status,
        **pen.who,
        "occurrenceDateTime": pen.as_of,
        "performer": {"display": pen.house.title("write.device")},
        "result": pen.ref("care-plan"),
    }
    notes = [{"text": line} for line in _notes(pen, language)]
    if notes:
        resource["note"] = notes
    if missing := decision.plan.missing:
        resource["dataRequirement"] = [pen.house.requirement(each.code) for each in missing]
    return resource


def _notes(pen: Pen, language: str) -> Iterable[str]:
    text, assessment = pen.house.text, pen.decision.assessment
    for result in assessment.rows:
        if result.answer is Answer.NOT_ASSESSED:
            yield text(_undecided(pen, result))
    for missing in pen.decision.plan.missing:
        yield _asked(pen, missing)
    if codes := assessment.not_recorded:
        yield pen.house.kept(("not-recorded", *codes), lambda: _not_recorded(pen, codes))
    if language and language.partition("-")[0].lower() != "en":
        yield text(Message("write.language", (("language", language),)))


def _asked(pen: Pen, missing: Missing) -> str:
    key = ("asked", missing.code, missing.why)
    return pen.house.kept(key, lambda: asked(pen.decision.protocol, missing))


def _not_recorded(pen: Pen, codes: Sequence[str]) -> Message:
    facts = (pen.house.text(fact(pen.decision.protocol, code)) for code in codes)
    return Message("write.not-recorded", (("facts", "; ".join(facts)),))


def _undecided(pen: Pen, result: RowResult) -> Message:
    row = ("class", Message(f"class.{result.row.code}"))
    unknown = [test.what for test in result.tests if test.answer is Answer.NOT_ASSESSED]
    if not unknown:
        return Message("undecided", (row,))
    return Message("write.undecided", (row, ("needs", "; ".join(map(pen.house.text, unknown)))))
