"""API8:2023 Security Misconfiguration (OWASP API Security Top 10, editions/2023/en/0xa8)."""

from collections.abc import Mapping
from pathlib import Path

import pytest

from cds_service.errors import SettingsError
from cds_service.service import Service
from cds_service.settings import Settings
from tests.access.tokens import APPLY, access
from tests.web.sample import body

from .asking import JSON, Asking, token

EVERYWHERE = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
}
POLICY = ("frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'")


SEEN = (
    "/", "/records", "/docs", "/openapi.json", "/fhir/metadata", "/fhir/Library", "/metrics",
    "/log/checkpoint", "/fhir/AuditEvent", "/health/live", "/nowhere",
)  # fmt: skip


def check(headers: Mapping[str, str]) -> None:
    for name, value in EVERYWHERE.items():
        assert headers[name] == value
    policy = headers["content-security-policy"]
    assert all(rule in policy for rule in POLICY)
    assert "default-src 'none'" in policy or "object-src 'none'" in policy
    assert "server" not in headers
    assert "x-powered-by" not in headers
    assert "set-cookie" not in headers


def test_every_answer_has_the_headers_that_browsers_heed(asking: Asking) -> None:
    everybody = token("call", "audit", "administer")
    for path in SEEN:
        check(asking("GET", path, everybody).headers)
        check(asking("GET", path, (b"x-request-id", b"a")).headers)
    told = asking("POST", APPLY, JSON, everybody, content=body())
    check(told.headers)
    assert told.headers["cache-control"] == "no-store"


def test_no_origin_is_let_in_unless_it_is_listed(asking: Asking, service: Service) -> None:
    listed = Asking.of(service, access=access(), origins=["https://record.example"])
    for each in (asking, listed):
        for origin in (b"https://evil.example", b"null", b"https://record.example.evil.example"):
            asked = (b"origin", origin), (b"access-control-request-method", b"POST")
            for path in ("/cds-services", "/fhir/AuditEvent", APPLY):
                told = each("OPTIONS", path, *asked)
                assert "access-control-allow-origin" not in told.headers
                told = each("GET", path, (b"origin", origin), token("call", "audit"))
                assert "access-control-allow-origin" not in told.headers
    told = listed("GET", "/fhir/AuditEvent", (b"origin", b"https://record.example"), token("audit"))
    assert "access-control-allow-origin" not in told.headers  # only CDS Hooks


def test_a_fault_shows_nothing_of_the_inside(
    asking: Asking, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("orla-fenn was born 2026-02-20")

    monkeypatch.setattr(Service, "decide", fail)
    told = asking("POST", APPLY, JSON, token("call"), content=body())
    assert told.status == 500
    for word in (b"RuntimeError", b"Traceback", b"File", b"orla", b".py"):
        assert word not in told.body
    assert "RuntimeError at" in caplog.text


def test_trace_and_debug_are_not_there(asking: Asking) -> None:
    everybody = token("call", "audit", "administer")
    assert asking("TRACE", "/", everybody).status in (404, 405)
    for path in ("/.git/config", "/.env", "/debug", "/admin", "/console", "/actuator", "/redoc",
                 "/static/../pyproject.toml", "/static-offline-docs/../app.py",
                 "/static-offline-docs/%2e%2e/app.py", "/static-offline-docs/"):  # fmt: skip
        assert asking("GET", path, everybody).status == 404, path


def test_beyond_this_machine_callers_must_be_known(tmp_path: Path) -> None:
    for host in ("0.0.0.0", "::", "192.0.2.1"):
        with pytest.raises(SettingsError, match="CDS_ISSUERS_FILE"):
            Settings.read(host=host, database_url=f"sqlite:///{tmp_path}/log.db")
