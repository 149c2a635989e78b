"""API1:2023 Broken Object Level Authorization (OWASP API Security Top 10, editions/2023/en/0xa1):
whoever may call must still not reach, by an index or an id, what is of another organisation.
"""

import asyncio
import re
from typing import Any
from urllib.parse import urlencode

import orjson
import pytest

from cds_service.access.roles import Role
from tests.access.tokens import APPLY
from tests.hooks import plan_call, sent
from tests.web.conftest import ACCEPTED, said
from tests.web.sample import body

from .asking import FORM, JSON, OTHER, Asking, Told, token

KEY = (b"idempotency-key", b'"7c1f7b1e-9b1e-4e55"')
PLAN = "/cds-services/sick-young-infant-plan"
TRY = urlencode({"example": "01-fever-refer-or-treat"}).encode()
GUIDANCE = "/fhir/GuidanceResponse"


class Ground:
    """What marrow-vale has in the log: a plan (0), its feedback (1), cards (2), a try (3)."""

    def __init__(self, asking: Asking) -> None:
        self.ask = asking
        plan = asking("POST", APPLY, JSON, KEY, token("call"), content=body())
        assert plan.status == 200
        self.decision = plan.headers["cds-decision-id"]
        path = f"{GUIDANCE}/{self.decision}/$feedback"
        told = asking("POST", path, JSON, token("call"), content=said(**ACCEPTED))
        assert told.status == 200
        cards = asking("POST", PLAN, JSON, token("call"), content=sent(plan_call(body())))
        self.card = cards.json()["cards"][0]["uuid"]
        assert asking("POST", "/", FORM, token("call"), content=TRY).status == 200
        assert asyncio.run(asking.service.store.size()) == 4

    def foreign(self, method: str, path: str, *more: Any, **options: Any) -> Told:
        """The same asked by tolm, where he has every role."""
        return self.ask(method, path, *more, token(*Role, iss=OTHER), **options)

    def own(self, method: str, path: str, *more: Any, **options: Any) -> Told:
        return self.ask(method, path, *more, token(*Role), **options)

    def size(self) -> int:
        return asyncio.run(self.ask.service.store.size())


@pytest.fixture
def ground(asking: Asking) -> Ground:
    return Ground(asking)


def test_nothing_is_reached_by_an_index_or_an_id(ground: Ground) -> None:
    one = f"{GUIDANCE}/{ground.decision}"
    reads = [one, f"{one}/_history/0", f"{one}/$record", "/fhir/AuditEvent/log-0"]
    reads += [f"/log/{part}/0" for part in ("entries", "opening", "request", "response")]
    reads += [f"/records/{index}" for index in range(4)]
    for path in reads:
        assert ground.own("GET", path).status == 200, path
        refused = ground.foreign("GET", path)
        assert (refused.status, refused.names_the_infant) == (404, False), path
        # What is another's and what there is not are told alike.
        if path.endswith("/0"):
            assert refused.body == ground.foreign("GET", f"{path[:-1]}9").body, path
    label = ground.foreign("GET", f"{one}/label")
    assert (label.status, label.names_the_infant) == (404, False)
    assert ground.own("GET", f"{one}/label").status not in (401, 403, 404)
    for path in (f"{one}/$replay", f"{one}/$record", "/records/0/replay"):
        assert ground.foreign("POST", path, JSON).status == 404, path
    for path in (f"{GUIDANCE}/$replay", f"{one}/$record"):
        assert (
            ground.foreign("GET" if "record" in path else "POST", path, query="entry=0").status
            == 404
        )


def _is_reading_of(event: Any, tenant: str) -> bool:
    who = [agent["who"].get("identifier", {}).get("value") for agent in event["agent"]]
    return event["subtype"][-1]["code"] == "reading" and tenant in who


def test_nothing_is_found_by_a_search(ground: Ground) -> None:
    asked = [
        "", "patient=http://tolm-ford.example/fhir/Patient/orla-fenn", "_id=log-0",
        f"_id={ground.decision}",
        "agent=Device/tolm-ford",
        "agent=Organization/marrow-vale", f"entity=GuidanceResponse/{ground.decision}",
        "entity=AuditEvent/log-0", "_count=0", "_total=accurate",
    ]  # fmt: skip
    for kind in ("AuditEvent", "GuidanceResponse"):
        assert ground.own("GET", f"/fhir/{kind}").json()["entry"]
        for query in asked:
            found = ground.foreign("GET", f"/fhir/{kind}", query=query)
            if found.status == 200:
                matches = [
                    each["resource"]
                    for each in found.json().get("entry", ())
                    if each["search"]["mode"] == "match"
                ]
                # Its own reading is all that its organisation has in the log.
                assert all(_is_reading_of(each, "tolm") for each in matches)
                assert kind == "AuditEvent" or not found.json().get("total")
            assert not found.names_the_infant
            form = ground.foreign("POST", f"/fhir/{kind}/_search", FORM, content=query.encode())
            assert form.status == found.status
        # The entry that stands for a patient in a link.
        linked = ground.foreign("GET", f"/fhir/{kind}", query="patient-of=0")
        assert (linked.status, linked.names_the_infant) == (404, False)


def test_the_pages_of_auditors_show_only_what_is_their_own(ground: Ground) -> None:
    assert b"/records/0" in ground.own("GET", "/records").body
    for path, query in (
        ("/records", ""), ("/records", "clinic=tolm-ford"), ("/records/doses", ""),
        ("/records/export", "format=csv"), ("/records/export", "format=ndjson"),
    ):  # fmt: skip
        told = ground.foreign("GET", path, query=query)
        assert told.status == 200
        assert not told.names_the_infant
        assert not re.search(rb"/records/\d|marrow-vale,|\"request\"", told.body), path
    assert ground.foreign("GET", "/records", query="patient-of=0").status == 404
    asked = urlencode({"patient": "http://tolm-ford.example/fhir/Patient/orla-fenn"}).encode()
    assert ground.foreign("POST", "/records", FORM, content=asked).status == 200
    assert ground.own("POST", "/records", FORM, content=asked).status == 303
    own = ground.own("GET", "/records/export", query="format=ndjson")
    assert own.names_the_infant or b"payload" in own.body


def test_nobody_feeds_back_on_what_is_anothers(ground: Ground) -> None:
    path = f"{GUIDANCE}/{ground.decision}/$feedback"
    assert ground.foreign("POST", path, JSON, content=said(**ACCEPTED)).status == 404
    named = said(**ACCEPTED, entry={"valueInteger": 0})
    assert ground.foreign("POST", path, JSON, content=named).status == 404
    card = {
        "card": ground.card, "outcome": "overridden",
        "outcomeTimestamp": "2026-03-02T08:00:00Z",
    }  # fmt: skip
    feedback = orjson.dumps({"feedback": [card]})
    assert ground.foreign("POST", f"{PLAN}/feedback", JSON, content=feedback).status == 404
    assert ground.size() == 4
    assert ground.own("POST", f"{PLAN}/feedback", JSON, content=feedback).status == 200


def test_an_idempotency_key_is_each_organisations_own(ground: Ground) -> None:
    other = ground.foreign("POST", APPLY, JSON, KEY, content=body())
    assert other.status == 200
    assert "idempotency-replayed" not in other.headers
    assert other.headers["cds-log-index"] == "4"
    hook = ground.foreign("POST", PLAN, JSON, content=sent(plan_call(body())))
    assert "idempotency-replayed" not in hook.headers
    again = ground.ask("POST", APPLY, JSON, KEY, token("call"), content=body())
    assert again.headers["idempotency-replayed"] == "true"
    # Another client of the same organisation has keys of its own, too.
    beside = ground.ask("POST", APPLY, JSON, KEY, token("call", client_id="ward-3"), content=body())
    assert "idempotency-replayed" not in beside.headers


def test_an_entry_of_a_batch_reaches_no_further(ground: Ground) -> None:
    urls = ["AuditEvent/log-0", f"GuidanceResponse/{ground.decision}", "AuditEvent?patient-of=0"]
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    told = ground.foreign("POST", "/fhir", JSON, content=batch)
    assert [e["response"]["status"][:3] for e in told.json()["entry"]] == ["404"] * 3
    assert not told.names_the_infant


def test_the_page_for_integrators_gives_files_only_to_whoever_asked(ground: Ground) -> None:
    form = urlencode({"entry": "3", "part": "request"}).encode()
    go_on = urlencode({"ask": "1", "base": "3"}).encode()
    mine = ground.ask("POST", "/try/download", FORM, token("call"), content=form)
    assert mine.status == 200
    for roles in ({"iss": OTHER}, {"client_id": "ward-3"}, {"client_id": "not-tolm-ford"}):
        stranger = token("call", **roles)
        assert ground.ask("POST", "/try/download", FORM, stranger, content=form).status == 404
        assert ground.ask("POST", "/", FORM, stranger, content=go_on).status == 410
    # What came another way is not given here, whatever a client is called.
    plan = urlencode({"entry": "0", "part": "request"}).encode()
    assert ground.ask("POST", "/try/download", FORM, token("call"), content=plan).status == 404
    named = token("call", client_id="ward.try-page")
    asked = ground.ask("POST", APPLY, JSON, named, content=body())
    late = urlencode({"entry": asked.headers["cds-log-index"], "part": "request"}).encode()
    assert ground.ask("POST", "/try/download", FORM, named, content=late).status == 404
