"""API5:2023 Broken Function Level Authorization (OWASP API Security Top 10, editions/2023/en/0xa5).

Every address with every role, in every spelling: test_routes.py.
"""

from cds_service.access.roles import Role
from tests.access.tokens import of_server, signed

from .asking import JSON, OTHER, Asking, bearer, token

SCOPES = (
    "cds/AUDIT", "cds/audit,cds/call", "CDS/audit", "audit", "cds/*", "*", "cds/audit*", "cds/",
    "cds/audit\u00a0x", "xcds/audit", "cds/audits", "user/*.*", "system/*.cruds", "",
)  # fmt: skip


READ_ONLY = (
    "/fhir/PlanDefinition/sick-young-infant", "/fhir/AuditEvent/log-0", "/fhir/Library",
    "/log/entries/0", "/log/checkpoint", "/fhir/metadata",
)  # fmt: skip


def test_a_scope_counts_only_when_it_is_spelt_exactly(asking: Asking) -> None:
    for scope in SCOPES:
        at = asking("GET", "/fhir/AuditEvent", bearer(signed(of_server(scope=scope))))
        assert at.status in ((200,) if scope == "cds/audit\u00a0x" else (403,)), scope


def test_no_role_includes_another(asking: Asking) -> None:
    only = {Role.CALL: "/cds-services", Role.AUDIT: "/fhir/AuditEvent", Role.ADMINISTER: "/metrics"}
    for role, path in only.items():
        for other in Role:
            told = asking("GET", path, token(other))
            assert told.status == (200 if other is role else 403)


def test_a_server_gives_no_more_than_its_issuer_may(asking: Asking) -> None:
    # The issuer of tolm may give every role here, but only for tolm.
    told = asking("GET", "/fhir/AuditEvent", token("audit", iss=OTHER, tenant="marrow-vale"))
    assert told.status == 200
    assert told.json().get("total") == 0


def test_there_is_no_way_to_write_what_is_published_or_recorded(asking: Asking) -> None:
    everybody = token(*Role)
    for path in READ_ONLY:
        for method in ("PUT", "PATCH", "DELETE"):
            told = asking(method, path, JSON, everybody, content={"resourceType": "Library"})
            assert told.status == 405, (method, path)
