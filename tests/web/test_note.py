"""The referral note over HTTP: the same request as the main call, another answer, logged alike."""

import orjson
import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.service import Service, replay
from tests.logs import entry_at

from .conftest import Call
from .sample import PATH, body

NOTE = PATH.replace("$apply", "$referral-note")
JSON = {"content-type": "application/fhir+json"}


@pytest.fixture
def ask(call: Call) -> Call:
    return lambda content, **headers: call("POST", NOTE, content=content, headers=JSON | headers)


def test_the_note_is_a_document_and_in_the_log(
    ask: Call, service: Service, store: SqliteStore
) -> None:
    answer = ask(body())
    assert answer.status_code == 200
    assert answer.json()["type"] == "document"
    assert answer.json()["entry"][0]["resource"]["resourceType"] == "Composition"
    entry = entry_at(store, int(answer.headers["cds-log-index"]))
    assert entry is not None
    assert entry.response == answer.content
    assert replay(entry, Library(), base=service.base) == answer.content


def test_it_refuses_what_the_main_call_refuses(ask: Call) -> None:
    assert ask(b"{").status_code == 400
    nobody = orjson.dumps({"resourceType": "Bundle", "type": "collection"})
    assert ask(nobody).status_code == 422
    assert ask(body(), **{"content-type": "text/plain"}).status_code == 415
