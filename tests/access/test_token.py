"""Which tokens are taken, and that every hostile one is refused. See `hostile.py` for sources."""

from typing import Any

import orjson
import pytest

from cds_service.access.fetching import Fetched
from cds_service.access.roles import Role
from cds_service.audit.record import Origin
from cds_service.errors import NotAllowed

from .hostile import hostile
from .tokens import (
    ADDRESS,
    APPLY,
    NOW,
    access,
    claims,
    client,
    key_set,
    of_server,
    rsa_key,
    server,
    signed,
)

HOSTILE = dict(hostile())
_NAMED = f"{ADDRESS}{APPLY}/Tam"


def test_the_token_of_a_client_is_taken_for_one_call() -> None:
    checked = access()
    token = signed(claims())

    caller = checked.caller(token, APPLY)

    assert (caller.origin, caller.roles) == (Origin("marrow-vale", "tolm-ford"), {Role.CALL})
    with pytest.raises(NotAllowed, match="used before"):
        checked.caller(token, APPLY)
    checked.caller(signed(claims(jti="another")), APPLY)


def test_rs384_is_taken_as_well() -> None:
    access().caller(signed(claims(), rsa_key(), "RS384", kid="rsa"), APPLY)


def test_one_jti_of_two_issuers_are_two_tokens() -> None:
    other = client(issuer="https://records.tolm.example", caller="tolm")
    checked = access(client(), other)

    checked.caller(signed(claims()), APPLY)
    assert checked.caller(signed(claims(iss=other.issuer)), APPLY).origin.caller == "tolm"


def test_an_access_token_is_taken_until_it_expires_for_what_its_scopes_name() -> None:
    checked = access()
    token = signed(of_server(scope="openid cds/audit cds/nothing"), typ="at+jwt")

    for path in (APPLY, "/fhir/AuditEvent"):
        caller = checked.caller(token, path)
        assert (caller.origin, caller.roles) == (Origin("marrow-vale", "tolm-ford"), {Role.AUDIT})
    limited = access(server(roles=[Role.CALL], caller="every-clinic"))
    caller = limited.caller(signed(of_server(scope="cds/call cds/audit")), APPLY)
    assert (caller.origin.caller, caller.roles) == ("every-clinic", {Role.CALL})


@pytest.mark.parametrize("late", [-30, 0, 149])
def test_clocks_may_differ_by_half_a_minute(late: int) -> None:
    access(now=NOW + late).caller(signed(claims()), APPLY)


@pytest.mark.parametrize("late", [-31, 151])
def test_but_not_by_more(late: int) -> None:
    with pytest.raises(NotAllowed):
        access(now=NOW + late).caller(signed(claims()), APPLY)


@pytest.mark.parametrize(
    ("token", "why"),
    [
        (
            claims(aud=_NAMED, iat=NOW + 600, exp=NOW + 700),
            "of the future: the caller's clock is ahead",
        ),
        (
            claims(aud=_NAMED, iat=NOW - 600, exp=NOW - 500),
            "expired: an old one, or the caller's clock",
        ),
        (claims(aud="https://127.0.0.1:8081/metrics"), f"which begins with {ADDRESS};"),
        (of_server(aud="https://login.example"), f"aud is not this: {ADDRESS};"),
        ({k: v for k, v in claims().items() if k != "jti"}, "has no jti;"),
    ],
)
def test_the_operator_reads_what_to_mend(token: dict[str, Any], why: str) -> None:
    with pytest.raises(NotAllowed, match=why) as refused:
        access(client(), server()).caller(signed(token), _NAMED.removeprefix(ADDRESS))
    assert "it says that it is of marrow-vale/" in str(refused.value)
    assert "Tam" not in str(refused.value)


def test_keys_may_be_named_where_they_are() -> None:
    where = "https://records.marrow-vale.example/jwks.json"
    issuer = client(keys=None, keys_url=where)

    asked = []

    def get(url: str) -> Fetched:
        asked.append(url)
        return Fetched(orjson.dumps(key_set()()), 60)

    access(issuer, get=get).caller(signed(claims(), jku=where), APPLY)
    assert asked == [where]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_token_is_refused(name: str) -> None:
    checked = access()

    with pytest.raises(NotAllowed) as refused:
        checked.caller(HOSTILE[name], APPLY)
    assert HOSTILE[name] not in str(refused.value)
    # The very same check takes a good one.
    checked.caller(signed(claims()), APPLY)


def test_there_are_many_hostile_tokens() -> None:
    assert len(set(HOSTILE.values())) == len(HOSTILE) >= 60
