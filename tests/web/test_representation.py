"""How artefacts are served: ETag, 304, pretty, in part (RFC 9110; FHIR R4 http, search)."""

import hashlib
import json
from collections.abc import Iterator
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.service import Service
from cds_service.web.app import make_app

from .conftest import Call, call_app, issue, protocol
from .sample import BASE

ONE = "/fhir/CodeSystem/finding"
PATHS = [ONE, "/fhir/metadata", "/fhir/CodeSystem"]


@pytest.mark.parametrize("path", PATHS)
def test_the_etag_is_strong_and_the_same_as_long_as_the_bytes_are(call: Call, path: str) -> None:
    first, second = call("GET", path), call("GET", path)

    assert first.headers["etag"] == second.headers["etag"]
    assert first.headers["etag"].startswith('"')  # a weak one begins with W/ (RFC 9110, 8.8.3)
    assert hashlib.sha256(first.content).hexdigest()[:32] == first.headers["etag"].strip('"')


@pytest.mark.parametrize("path", [*PATHS, f"{ONE}?_pretty=true"])
@pytest.mark.parametrize("form", ["{}", "W/{}", '"other", {}', "*"])
def test_what_the_caller_has_already_is_not_sent_again(call: Call, path: str, form: str) -> None:
    etag = call("GET", path).headers["etag"]

    answer = call("GET", path, headers={"if-none-match": form.format(etag)})

    assert (answer.status_code, answer.content) == (304, b"")
    assert answer.headers["etag"] == etag
    assert call("GET", path, headers={"if-none-match": '"other"'}).status_code == 200


@pytest.mark.parametrize("path", PATHS)
def test_pretty_is_the_same_for_people(call: Call, path: str) -> None:
    plain, pretty = call("GET", path), call("GET", f"{path}?_pretty=true")

    assert b'\n  "' in pretty.content
    assert b"\n" not in plain.content
    if path == "/fhir/CodeSystem":  # its own address stands in it
        assert pretty.json()["entry"] == plain.json()["entry"]
    else:
        assert pretty.json() == plain.json()
    assert pretty.headers["etag"] != plain.headers["etag"]


def test_a_summary_leaves_out_the_concepts_and_says_so(call: Call) -> None:
    answer = call("GET", f"{ONE}?_summary=true").json()

    get_fhir_model_class("CodeSystem").model_construct(**answer)
    assert answer["meta"]["tag"][0]["code"] == "SUBSETTED"  # FHIR R4 search.html#summary
    assert (answer["url"], answer["status"]) == (f"{BASE}/CodeSystem/finding", "draft")
    assert "concept" not in answer
    assert call("GET", f"{ONE}?_summary=false").json() == call("GET", ONE).json()


def test_only_the_elements_that_were_asked_for(call: Call) -> None:
    (entry,) = call("GET", "/fhir/CodeSystem?_id=finding&_elements=url,count").json()["entry"]

    assert set(entry["resource"]) == {
        "resourceType", "id", "meta", "status", "experimental", "url", "count",
    }  # fmt: skip


def test_a_search_can_only_count(call: Call) -> None:
    counted, full = (
        call("GET", f"/fhir/ValueSet{query}").json() for query in ("?_summary=count", "")
    )

    assert counted["total"] == full["total"] == len(full["entry"])
    assert "entry" not in counted


def test_an_unknown_summary_is_refused(call: Call) -> None:
    answer = call("GET", f"{ONE}?_summary=some")

    assert answer.status_code == 400
    assert "_summary=true" in issue(answer)["diagnostics"]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("name=find", ["finding"]),
        ("name=FINDING", ["finding"]),
        ("name=inding", []),  # the beginning, not a part (FHIR R4 search.html#string)
        ("version={version}&_id=care,caution", ["care", "caution"]),
        ("version=1999", []),
        ("version=", []),
        ("url={base}/CodeSystem/care&_id=caution", []),
    ],
)
def test_artefacts_are_searched_by_url_name_and_version(
    call: Call, query: str, found: list[str]
) -> None:
    asked = query.format(version=protocol().version, base=BASE)
    answer = call("GET", f"/fhir/CodeSystem?{asked}").json()

    assert [entry["resource"]["id"] for entry in answer.get("entry", [])] == found


@pytest.mark.parametrize("path", PATHS)
def test_head_has_the_headers_of_get(call: Call, path: str) -> None:
    full, head = call("GET", path), call("HEAD", path)

    assert head.content == b""
    assert head.headers["etag"] == full.headers["etag"]
    assert head.headers["content-length"] == str(len(full.content))


def test_the_format_is_json_whatever_accept_says(call: Call) -> None:
    answer = call("GET", f"{ONE}?_format=json", headers={"accept": "application/fhir+xml"})

    assert answer.status_code == 200
    assert json.loads(answer.content)["id"] == "finding"
    assert call("GET", ONE, headers={"accept": "application/fhir+xml"}).status_code == 406


def test_other_editions_are_found_by_their_version_and_read_by_their_id(
    store: SqliteStore,
) -> None:
    asked: list[str] = []

    def others() -> Iterator[Protocol]:
        asked.append("once")
        yield load(edition="2014.1")

    service = Service(protocol(), store, base=BASE, code_version="0", others=others)
    app = make_app(service)
    url = f"{BASE}/PlanDefinition/sick-young-infant"

    def get(path: str) -> Any:
        return call_app(app, "GET", f"/fhir/PlanDefinition{path}")

    assert get("/sick-young-infant").json()["version"] == "2024.1"
    assert asked == []  # no start, and no read of what is in use, waits for the others
    other = get("/sick-young-infant-2014.1")
    assert (other.json()["url"], other.json()["version"]) == (url, "2014.1")
    assert {e["resource"]["version"] for e in get(f"?url={url}").json()["entry"]} == {
        "2024.1",
        "2014.1",
    }
    (found,) = get(f"?url={url}&version=2014.1").json()["entry"]
    assert found["resource"] == other.json()
    assert call_app(app, "GET", found["fullUrl"]).content == other.content
    assert get("/sick-young-infant-1999").status_code == 404
    assert asked == ["once"]
