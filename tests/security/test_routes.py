"""Every address of the service, and the role that it needs.

Whoever adds a route says here who may ask for it, or these tests fail.
"""

import asyncio
from collections.abc import Iterator
from itertools import product

import pytest

from cds_service.access.roles import Role
from cds_service.audit.record import KINDS, READING
from cds_service.audit.store import Query
from cds_service.cli.selftesting.published import TYPES
from cds_service.service import Service
from cds_service.web.rules import needed
from tests.access.tokens import access
from tests.logs import open_log
from tests.web.conftest import NOW, protocol
from tests.web.sample import BASE

from .asking import JSON, Asking, token

TABLE = """
GET     /openapi.json                                     -
GET     /docs                                             -
GET     /docs/oauth2-redirect                             any
GET     /static-offline-docs/{file}                       -
GET     /static/{mark}/{name}                             -
GET     /health/live                                      -
GET     /health/ready                                     -
GET     /.well-known/smart-configuration                  -
GET     /fhir/metadata                                    -
GET     /metrics                                          administer
GET     /fhir/GuidanceResponse/{id}/$record               audit
POST    /fhir/GuidanceResponse/{id}/$record               audit
POST    /fhir/GuidanceResponse/{id}/$replay               audit
POST    /fhir/GuidanceResponse/$replay                    audit
POST    /fhir/GuidanceResponse/{id}/$feedback             call audit
GET     /fhir/GuidanceResponse/{id}/label                 call audit
GET     /fhir/AuditEvent                                  audit
POST    /fhir/AuditEvent/_search                          audit
GET     /fhir/GuidanceResponse                            audit
POST    /fhir/GuidanceResponse/_search                    audit
GET     /fhir/AuditEvent/{id:fhirid}                      audit
GET     /fhir/GuidanceResponse/{id:fhirid}                audit
GET     /fhir/GuidanceResponse/{id}/_history/{version}    audit
GET     /log/checkpoint                                   call audit
GET     /log/keys                                         call audit
GET     /log/proof/inclusion/{index}                      call audit
GET     /log/proof/consistency                            call audit
GET     /log/entries/{index}                              audit
GET     /log/opening/{index}                              audit
GET     /log/request/{index}                              audit
GET     /log/response/{index}                             audit
GET     /cds-services                                     call
POST    /cds-services/sick-young-infant-plan              call
POST    /cds-services/sick-young-infant-plan/feedback     call
POST    /cds-services/medicine-dose-check                 call
POST    /cds-services/medicine-dose-check/feedback        call
POST    /cds-services/medicine-dose-check-select          call
POST    /cds-services/medicine-dose-check-select/feedback call
POST    /cds-services/{id}                                call
POST    /cds-services/{id}/feedback                       call
GET     /                                                 call
POST    /                                                 call
POST    /try/download                                     call
GET     /records                                          audit
POST    /records                                          audit
GET     /records/doses                                    audit
GET     /records/export                                   audit
GET     /records/{index}                                  audit
GET     /records/{index}/replay                           audit
POST    /records/{index}/replay                           audit
POST    /fhir                                             call
POST    /fhir/                                            call
POST    /fhir/PlanDefinition/sick-young-infant/$apply     call
POST    /fhir/PlanDefinition/sick-young-infant/$referral-note  call
"""
ROLES = {"-": "", "any": " ".join(Role)}
ROUTES: dict[tuple[str, str], frozenset[str]] = {}
for _line in TABLE.strip().splitlines():
    _method, _path, _roles = _line.split(maxsplit=2)
    ROUTES[_method, _path] = frozenset(ROLES.get(_roles, _roles).split())
# The artefacts are published: open.
ROUTES |= {
    ("GET", f"/fhir/{kind}{rest}"): frozenset() for kind, rest in product(TYPES, ("", "/{id}"))
}
GUARDED = [(*at, roles) for at, roles in ROUTES.items() if roles]


@pytest.fixture(scope="module")
def asking(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asking]:
    """One for all tests here: nothing that they ask is recorded but what an auditor read."""
    store = open_log(tmp_path_factory.mktemp("log") / "log.db", wait=0.2)
    service = Service(protocol(), store, base=BASE, code_version="0.1.0", clock=lambda: NOW)
    yield Asking.of(service, access=access())
    others = tuple(kind for kind in KINDS if kind != READING)
    assert asyncio.run(store.count(Query(kinds=others))) == 0
    asyncio.run(store.close())


def filled(path: str) -> str:
    """An address of this form."""
    for name, value in (
        ("{index}", "0"), ("{version}", "0"), ("{id:fhirid}", "log-0"), ("{id}", "x1"),
        ("{file}", "swagger-ui.css"), ("{mark}", "x"), ("{name}", "site.css"),
    ):  # fmt: skip
        path = path.replace(name, value)
    return path


def inner(app: object) -> object:
    """The application behind all that is laid around it."""
    while (below := getattr(app, "_app", None)) is not None:
        app = below
    return app


def test_every_route_is_named_in_the_table(asking: Asking) -> None:
    outer = inner(asking.app)
    routes = set()
    for route in outer._rest.routes:  # type: ignore[attr-defined]
        methods = getattr(route, "methods", None) or {"GET"}
        path = route.path if hasattr(route, "methods") else f"{route.path}/{{file}}"
        routes |= {(method, path) for method in methods if method != "HEAD"}
    from_memory = {("GET", path) for path in outer._operations}  # type: ignore[attr-defined]
    operations = {
        ("POST", path) for _, path in from_memory if "$" in path or path in ("/fhir", "/fhir/")
    }
    artefacts = {(method, path) for method, path in from_memory if ("POST", path) not in operations}

    assert routes | operations == set(ROUTES)
    assert not [path for _, path in artefacts if needed("GET", path)]
    assert all(path.split("/")[2] in (*TYPES, "metadata") for _, path in artefacts)


@pytest.mark.parametrize(("method", "path"), ROUTES)
def test_it_needs_what_the_table_says(method: str, path: str) -> None:
    assert needed(method, filled(path)) == ROUTES[method, path]
    if method == "GET":
        assert needed("HEAD", filled(path)) == ROUTES[method, path]


@pytest.mark.parametrize(("method", "path", "roles"), GUARDED)
def test_whoever_has_not_the_role_is_refused(
    asking: Asking, method: str, path: str, roles: frozenset[str]
) -> None:
    at = filled(path)
    methods = (method, "HEAD") if method == "GET" else (method,)
    for each in methods:
        assert asking(each, at, JSON).status == 401
        for role in set(Role) - roles:
            assert asking(each, at, JSON, token(role)).status == 403
        for role in roles:
            assert asking(each, at, JSON, token(role)).status not in (401, 403)


# The framework's patterns end before a line break, and other ways to write an address.
SPELLINGS = (
    "{0}\n", "{0}\n\n", "{0}\r", "{0}\0", "{0}\u2028", "{0}/", "/{0}", "{0}//", "/.{0}", "/x/..{0}",
    "{0}/.", "{0};a=1", "{0} ", "{0}%0a", "{0}?", "{0}#", "{0}\\",
)  # fmt: skip


@pytest.mark.parametrize(("method", "path", "roles"), GUARDED)
def test_no_other_spelling_of_the_address_is_a_way_around(
    asking: Asking, method: str, path: str, roles: frozenset[str]
) -> None:
    at = filled(path)
    wrong = next(iter(sorted(set(Role) - roles)), None)
    for spelling in [each.format(at) for each in SPELLINGS] + [at.upper(), at.title()]:
        if spelling == at or (method, spelling) in ROUTES:
            continue
        assert asking(method, spelling, JSON).status in (401, 404, 405), spelling
        if wrong is not None:
            assert asking(method, spelling, JSON, token(wrong)).status in (403, 404, 405), spelling


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "TRACE", "CONNECT", "QUERY", "get"])
def test_a_method_that_no_route_has_opens_nothing(asking: Asking, method: str) -> None:
    for path in {path for _, path, _ in GUARDED}:
        assert asking(method, filled(path)).status == 401, path
        assert asking(method, filled(path), token(*Role)).status in (404, 405), path


def test_options_tells_the_methods_and_nothing_else(asking: Asking) -> None:
    for _, path in ROUTES:
        told = asking("OPTIONS", filled(path))
        assert told.status in (204, 404, 405), path
        assert told.status != 204 or told.body == b""


AROUND = (
    "../metrics", "%2e%2e/metrics", "../records", "x/../AuditEvent", "%41uditEvent", "//metrics",
    "http://here.example/metrics", "/metrics", "AuditEvent%3f_count=1", "%2Fmetrics",
    "..%2Fmetrics",
)  # fmt: skip


def test_an_entry_of_a_batch_goes_no_way_around(asking: Asking) -> None:
    below = [
        (method, filled(path).removeprefix("/fhir/"))
        for method, path, roles in GUARDED
        if path.startswith("/fhir/") and "call" not in roles and path != "/fhir/"
    ]
    urls = [(m, f"{u}{end}") for m, u in below for end in ("", "%0A", "%00", "/", "?x=1")]
    urls += [("GET", each) for each in AROUND]
    for start in range(0, len(urls), 90):
        entries = [
            {"request": {"method": method, "url": url}}
            | ({"resource": {"resourceType": "Parameters"}} if method == "POST" else {})
            for method, url in urls[start : start + 90]
        ]
        batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
        told = asking("POST", "/fhir", JSON, token("call"), content=batch)
        assert told.status == 200
        for entry, answer in zip(entries, told.json()["entry"], strict=True):
            assert answer["response"]["status"][:3] in ("400", "403", "404", "405"), entry
