"""API7:2023 Server Side Request Forgery (OWASP API Security Top 10, editions/2023/en/0xa7):
no address of a request is ever asked. Only keys are fetched, at addresses that the operator wrote.
"""

import socket
from typing import Any

import pytest

from tests.access.tokens import APPLY, claims, ec_key, public, signed
from tests.hooks import plan_call, sent
from tests.web.sample import body, bundle

from .asking import JSON, Asking, bearer, token

WHERE = "http://169.254.169.254/latest/meta-data"


@pytest.fixture
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> None:
        raise AssertionError("the service asked the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)


@pytest.mark.usefixtures("_no_network")
def test_addresses_in_a_call_of_cds_hooks_are_not_asked(asking: Asking) -> None:
    call = plan_call(body(), fhirServer=WHERE)
    call["prefetch"] = dict.fromkeys(call["prefetch"])  # so that there would be a reason to ask
    path = "/cds-services/sick-young-infant-plan"
    assert asking("POST", path, JSON, token("call"), content=sent(call)).status == 412
    assert (
        asking(
            "POST", path, JSON, token("call"), content=sent(plan_call(body(), fhirServer=WHERE))
        ).status
        == 200
    )


@pytest.mark.usefixtures("_no_network")
def test_addresses_in_resources_are_not_asked(asking: Asking) -> None:
    data = bundle()
    for each in data["entry"]:
        each["resource"]["meta"] = {"profile": [f"{WHERE}/profile"]}
        each["resource"]["implicitRules"] = f"{WHERE}/rules" if each is data["entry"][-1] else ...
        if each["resource"]["implicitRules"] is ...:
            del each["resource"]["implicitRules"]
    data["link"] = [{"relation": "next", "url": f"{WHERE}/next"}]
    data["entry"][0]["resource"]["photo"] = [{"url": f"{WHERE}/photo"}]
    data["entry"][0]["resource"]["managingOrganization"] = {"reference": f"{WHERE}/Organization/1"}
    told = asking("POST", APPLY, JSON, token("call"), content=body(data={"resource": data}))
    assert told.status in (200, 422)
    assert WHERE.encode() not in told.body or told.status == 200


@pytest.mark.usefixtures("_no_network")
def test_an_entry_of_a_batch_asks_no_other_host(asking: Asking) -> None:
    for url in (
        f"{WHERE}/x",
        "//169.254.169.254/x",
        "file:///etc/passwd",
        "http:x",
        "@169.254.169.254",
    ):
        entry = {"request": {"method": "GET", "url": url}}
        batch = {"resourceType": "Bundle", "type": "batch", "entry": [entry]}
        (one,) = asking("POST", "/fhir", JSON, token("call"), content=batch).json()["entry"]
        assert one["response"]["status"][:3] in ("400", "403", "404"), url


@pytest.mark.usefixtures("_no_network")
def test_a_token_does_not_say_where_keys_are(asking: Asking) -> None:
    stranger = ec_key("stranger")
    for header in ({"jku": WHERE}, {"x5u": WHERE}, {"jwk": public(stranger, "ec")}, {"kid": WHERE}):
        forged = bearer(signed(claims(), stranger, **header))
        assert asking("POST", APPLY, JSON, forged, content=body()).status == 401
    listed = bearer(signed(claims(iss=WHERE)))
    assert asking("POST", APPLY, JSON, listed, content=body()).status == 401
