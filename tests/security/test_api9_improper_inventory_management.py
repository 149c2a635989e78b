"""API9:2023 Improper Inventory Management (OWASP API Security Top 10, editions/2023/en/0xa9).

That every route is listed with its role: test_routes.py.
"""

import re

from cds_service.access.roles import Role

from .asking import Asking, token
from .test_routes import ROUTES

# Pages for people, files, and what answers for services that there are not: not in OpenAPI.
NOT_DESCRIBED = re.compile(
    r"/(docs.*|openapi\.json|static.*|try/.*|records.*)?|/cds-services/\{id\}.*|/fhir/"
)


def test_whatever_is_served_is_described_and_the_other_way_round(asking: Asking) -> None:
    described = {
        (method.upper(), path)
        for path, methods in asking("GET", "/openapi.json").json()["paths"].items()
        for method in methods
    }
    served = {(method, path.replace(":fhirid", "")) for method, path in ROUTES}
    missing = {each for each in served - described if not NOT_DESCRIBED.fullmatch(each[1])}
    assert not missing
    assert not described - served


def test_there_is_one_version_of_each_address(asking: Asking) -> None:
    everybody = token(*Role)
    for path in ("/v1/fhir/metadata", "/r4/fhir/metadata", "/fhir/r5/metadata",
                 "/api/fhir/metadata", "/beta/metrics", "/internal/metrics", "/test"):  # fmt: skip
        assert asking("GET", path, everybody).status == 404, path


def test_the_statement_says_which_software_and_content_answers(asking: Asking) -> None:
    said = asking("GET", "/fhir/metadata").json()
    assert said["software"]["version"] == asking.service.code_version
    assert said["fhirVersion"] == "4.0.1"
