"""`/metrics`: read back by the parser of prometheus-client; no label names anybody."""

from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from cds_service.service import Service
from cds_service.web.app import make_app

from .conftest import Call, call_app
from .sample import PATH, body

JSON = {"content-type": "application/fhir+json"}


def read(call: Call) -> dict[tuple[str, str], float]:
    answer = call("GET", "/metrics")
    assert answer.headers["content-type"].startswith("text/plain")
    return {
        (sample.name, ",".join(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_requests_are_counted_and_timed_by_kind(call: Call) -> None:
    call("POST", PATH, content=body(), headers=JSON)
    call("POST", PATH, content=b"{", headers=JSON)
    call("GET", "/fhir/AuditEvent")
    call("GET", "/fhir/Patient/mv-infant-01")

    found = read(call)

    assert found["cds_requests_total", "apply,200"] == 1
    assert found["cds_requests_total", "apply,400"] == 1
    assert found["cds_requests_total", "log,200"] == 1
    assert found["cds_request_seconds_count", "apply"] == 2
    assert found["cds_requests_in_progress", ""] == 1  # this very one
    assert found["cds_log_commits", ""] == 1


def test_who_is_refused_the_measurements_is_counted_apart_from_health(service: Service) -> None:
    here = make_app(service, names=["localhost"])
    refused = call_app(here, "GET", "/metrics", headers={"host": "elsewhere.example"})
    assert refused.status_code == 421

    shown = call_app(here, "GET", "/metrics", headers={"host": "localhost"}).text

    assert 'cds_requests_total{kind="metrics",status="421"} 1.0' in shown
    assert 'kind="health"' not in shown


def test_labels_come_from_a_short_list_and_no_id_is_among_them(call: Call) -> None:
    hostile: list[Any] = ["/fhir/Patient/name-of-a-child", "/log/entry/12", "/a/b", "/fhir/x?y=z"]
    for path in hostile:
        call("GET", path)

    text = call("GET", "/metrics").text

    assert "child" not in text
    kinds = {labels.split(",")[0] for name, labels in read(call) if name == "cds_requests_total"}
    assert kinds <= {"metrics", "log", "artefact", "other"}
