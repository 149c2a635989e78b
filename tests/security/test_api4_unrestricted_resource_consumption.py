"""API4:2023 Unrestricted Resource Consumption (OWASP API Security Top 10, editions/2023/en/0xa4).

Crowds and slow bodies: tests/web/test_crowd.py; hostile bundles: test_hostile_bundles.py.
"""

import orjson

from cds_service.service import Service
from cds_service.web.crowd import Bounds
from tests.access.tokens import APPLY, access
from tests.web.sample import body

from .asking import FORM, JSON, Asking, token


def test_a_body_has_a_largest_size_at_every_address_that_reads_one(service: Service) -> None:
    asking = Asking.of(service, access=access(), max_body=1000)
    everybody = token("call", "audit", "administer")
    for path in (APPLY, APPLY.replace("$apply", "$referral-note"), "/fhir",
                 "/fhir/GuidanceResponse/x/$feedback", "/fhir/GuidanceResponse/x/$replay",
                 "/cds-services/sick-young-infant-plan",
                 "/cds-services/sick-young-infant-plan/feedback"):  # fmt: skip
        large = b'"' + b"x" * 2000 + b'"'
        assert asking("POST", path, JSON, everybody, content=large).status == 413, path
        declared = (b"content-length", b"99999999999999999999")
        assert asking("POST", path, JSON, everybody, declared).status == 413, path
    for path in ("/fhir/AuditEvent/_search", "/records", "/", "/try/download"):
        told = asking("POST", path, FORM, everybody, content=b"x=" + b"y" * 2_000_000)
        assert told.status == 413, path


def test_a_batch_has_a_largest_number_of_entries(service: Service) -> None:
    asking = Asking.of(service, access=access(), max_entries=5)
    entry = {"request": {"method": "GET", "url": "Library"}}
    batch = {"resourceType": "Bundle", "type": "batch", "entry": [entry] * 6}
    assert asking("POST", "/fhir", JSON, token("call"), content=batch).status == 413


def test_a_batch_in_a_batch_is_none(asking: Asking) -> None:
    inner = {"resourceType": "Bundle", "type": "batch",
             "entry": [{"request": {"method": "GET", "url": "Library"}}] * 50}  # fmt: skip
    for url in ("", "/", "?", "../fhir", "%2F"):
        entry = {"request": {"method": "POST", "url": url}, "resource": inner}
        batch = {"resourceType": "Bundle", "type": "batch", "entry": [entry]}
        told = asking("POST", "/fhir", JSON, token("call"), content=batch)
        (one,) = told.json()["entry"] if told.status == 200 else ({"response": {"status": "400"}},)
        assert one["response"]["status"][:1] == "4", url


def test_a_page_of_a_search_has_a_largest_size(asking: Asking) -> None:
    for _ in range(3):
        asking("POST", APPLY, JSON, token("call"), content=body())
    for count in ("999999999999", "-1", "1e9", "0x10"):
        told = asking("GET", "/fhir/AuditEvent", token("audit"), query=f"_count={count}")
        assert told.status in (200, 400)
    many = "&".join(f"x{n}=1" for n in range(5000))
    assert asking("GET", "/fhir/AuditEvent", token("audit"), query=many).status == 400
    several = ",".join(["log-1"] * 5000)
    assert asking("GET", "/fhir/AuditEvent", token("audit"), query=f"_id={several}").status == 400


def test_whoever_asks_too_often_is_told_to_wait(service: Service) -> None:
    asking = Asking.of(service, access=access(), bounds=Bounds(rate="3/hour"))
    told = [asking("GET", "/log/checkpoint", token("call")).status for _ in range(5)]
    assert told == [200] * 3 + [429] * 2
    other = token("call", client_id="ward-3")
    assert asking("GET", "/log/checkpoint", other).status == 200
    assert asking("GET", "/health/live").status == 200


def test_a_refused_request_costs_no_entry(asking: Asking) -> None:
    for content in (b"", b"{", orjson.dumps({"resourceType": "Parameters"})):
        asking("POST", APPLY, JSON, token("call"), content=content)
    checkpoint = asking("GET", "/log/checkpoint", token("call")).body
    assert checkpoint.split(b"\n")[1] == b"0"
