"""Templates: what is the same in many answers, and its blanks."""

import json

import pytest

from cds_service.content.model import Message
from cds_service.engine.model import Decision
from cds_service.fhir.write import write
from cds_service.fhir.write_template import (
    Template,
    blank,
    elements,
    escaped,
    identity,
    member,
    members,
    more,
)
from tests.fhir.decisions import BASE, caution, decision, plan
from tests.fhir.judge import judged, resources


def test_a_blank_inside_a_text_is_filled_in_place() -> None:
    made = Template.of({"text": f"half a {blank('what')}, now"})
    assert made.fill({"what": b"tablet"}) == b'{"text":"half a tablet, now"}'


def test_further_members_come_after_a_comma_or_not_at_all() -> None:
    made = Template.of({"status": "draft", more("rest"): None, "intent": "proposal"})
    with_note = made.fill({"rest": member("note", b"[]")})
    assert with_note == b'{"status":"draft","note":[],"intent":"proposal"}'
    assert made.fill({"rest": b""}) == b'{"status":"draft","intent":"proposal"}'


def test_further_elements_come_after_a_comma_or_not_at_all() -> None:
    made = Template.of([1, more("rest"), 4])
    assert made.fill({"rest": elements([b"2", b"3"])}) == b"[1,2,3,4]"
    assert made.fill({"rest": elements([])}) == b"[1,4]"


def test_an_array_without_elements_is_no_member() -> None:
    assert members("note", []) == b""
    assert members("note", [b"1", b"2"]) == b',"note":[1,2]'


def test_ids_are_told_apart_from_other_blanks_and_listed_once() -> None:
    made = Template.of({"id": identity("a.b"), "url": identity("a.b"), "on": blank("as_of")})
    assert made.roles == (("#a.b", b"a.b"),)


def test_a_template_without_blanks_is_its_own_bytes() -> None:
    assert Template.of({"a": "é"}).fill({}) == '{"a":"é"}'.encode()


def test_a_blank_that_is_not_filled_is_an_error() -> None:
    with pytest.raises(KeyError):
        Template.of({"a": blank("what")}).fill({})


def test_a_template_can_be_filled_again() -> None:
    made = Template.of({"a": blank("what")})
    made.fill({"what": b"first"})
    assert made.fill({"what": b"second"}) == b'{"a":"second"}'


@pytest.mark.parametrize("sent", [blank("as_of"), more("who"), '", "evil": "', "\\", "\n"])
def test_what_a_caller_sent_stays_a_text_whatever_it_looks_like(sent: str) -> None:
    assert json.loads(b'"%b"' % escaped(sent)) == sent
    made = _with_words(sent)
    (issue,) = resources(judged(write(made, base=BASE, language="")), "DetectedIssue")
    assert sent in issue["detail"]
    notes = json.loads(write(made, base=BASE, language="en", unmet=sent))["entry"][0]
    assert sent in notes["resource"]["note"][0]["text"]


def _with_words(sent: str) -> Decision:
    words = Message("caution.preliminary", (("what", sent),))
    return decision(planned=plan(cautions=(caution("preliminary", message=words),)))
