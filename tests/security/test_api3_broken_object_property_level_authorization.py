"""API3:2023 Broken Object Property Level Authorization (OWASP API Security Top 10,
editions/2023/en/0xa3): no property is taken that is the server's, none is shown that is not for
whoever asks.
"""

import asyncio

import orjson

from tests.access.tokens import APPLY
from tests.hooks import plan_call, sent
from tests.web.conftest import ACCEPTED, said
from tests.web.sample import body, bundle, parameters

from .asking import JSON, Asking, token

FORGED = {"tenant": "tolm", "caller": "admin", "recorded": "2020-01-01T00:00:00Z", "index": 7}


def test_what_is_the_servers_is_not_taken_from_a_request(asking: Asking) -> None:
    forged = orjson.dumps(parameters() | FORGED)
    told = asking("POST", APPLY, JSON, token("call"), content=forged)
    assert told.status == 200
    logged = asyncio.run(asking.service.store.get(0))
    assert logged is not None
    assert (logged.head.origin.tenant, logged.head.origin.caller) == ("marrow-vale", "tolm-ford")
    assert logged.head.recorded == asking.service.clock()
    assert logged.index == 0


def test_a_parameter_that_is_not_defined_is_refused(asking: Asking) -> None:
    decision = asking("POST", APPLY, JSON, token("call"), content=body()).headers["cds-decision-id"]
    path = f"/fhir/GuidanceResponse/{decision}/$feedback"
    for name in ("tenant", "caller", "recorded", "about"):
        content = said(**ACCEPTED, **{name: {"valueString": "tolm"}})
        assert asking("POST", path, JSON, token("call"), content=content).status == 400
    assert asyncio.run(asking.service.store.size()) == 1


def test_an_answer_repeats_nothing_that_no_caller_needs(asking: Asking) -> None:
    data = bundle()
    patient = data["entry"][0]["resource"]
    patient["name"] = [{"family": "Wintersaddle"}]
    patient["address"] = [{"text": "Marmalade Lane"}]
    patient["telecom"] = [{"value": "+999 555 0101"}]
    asked = body(data={"resource": data})
    told = asking("POST", APPLY, JSON, token("call"), content=asked)
    assert told.status == 200
    for text in (b"Wintersaddle", b"Marmalade", b"555 0101"):
        assert text not in told.body


def test_an_access_token_inside_a_call_is_not_kept(asking: Asking) -> None:
    secret = "opaque-secret-of-the-record-system"
    given = {"access_token": secret, "token_type": "Bearer", "expires_in": 300,
             "scope": "patient/*.rs", "subject": "cds"}  # fmt: skip
    call = plan_call(body(), fhirAuthorization=given, fhirServer="https://ehr.example/fhir")
    told = asking(
        "POST", "/cds-services/sick-young-infant-plan", JSON, token("call"), content=sent(call)
    )
    assert told.status == 200
    assert secret.encode() not in told.body
    kept = asking("GET", "/log/request/0", token("audit"))
    assert kept.status == 200
    assert secret.encode() not in kept.body


def test_the_published_statements_name_no_organisation_and_no_key(asking: Asking) -> None:
    for path in (
        "/fhir/metadata",
        "/.well-known/smart-configuration",
        "/openapi.json",
        "/health/ready",
    ):
        told = asking("GET", path)
        assert told.status == 200
        for word in (b"tolm-ford", b'"tenant"', b"keys_file", b"PRIVATE", b".db"):
            assert word not in told.body, (path, word)
