"""API2:2023 Broken Authentication (OWASP API Security Top 10, editions/2023/en/0xa2).

The tokens themselves: tests/access; here what happens over HTTP.
"""

from tests.access.hostile import hostile
from tests.access.tokens import ADDRESS, APPLY, claims, of_server, signed
from tests.web.sample import body

from .asking import JSON, Asking, bearer


def test_no_forged_token_is_taken_and_none_is_told_why(asking: Asking) -> None:
    told = set()
    for name, each in hostile():
        if not each.isascii():
            continue
        answer = asking("POST", APPLY, JSON, bearer(each), content=body())
        assert answer.status == 401, name
        told.add(answer.body)
    assert len(told) == 1
    assert b"Bearer" not in told.pop()


def test_a_token_is_for_one_address_and_once(asking: Asking) -> None:
    good = bearer(signed(claims(jti="api2")))
    assert asking("POST", "/fhir", JSON, good, content=b"{}").status == 401  # used nowhere yet
    assert asking("POST", APPLY, JSON, good, content=body()).status == 200
    assert asking("POST", APPLY, JSON, good, content=body()).status == 401


def test_a_token_is_read_from_the_header_only(asking: Asking) -> None:
    token = signed(of_server())
    for query in (f"access_token={token}", f"token={token}"):
        assert asking("GET", "/log/checkpoint", query=query).status == 401
    for name in (
        b"cookie",
        b"x-authorization",
        b"proxy-authorization",
        b"x-forwarded-authorization",
    ):
        assert asking("GET", "/log/checkpoint", (name, f"Bearer {token}".encode())).status == 401
    assert asking("GET", "/log/checkpoint", bearer(token)).status == 200


def test_headers_of_a_proxy_make_nobody_known(asking: Asking) -> None:
    for name in (b"x-forwarded-user", b"x-remote-user", b"x-original-url", b"x-rewrite-url",
                 b"x-http-method-override", b"x-forwarded-for", b"forwarded"):  # fmt: skip
        value = b"/health/live" if b"url" in name else b"127.0.0.1"
        assert asking("GET", "/fhir/AuditEvent", (name, value)).status == 401, name


def test_a_token_for_another_service_of_the_same_issuer_is_refused(asking: Asking) -> None:
    for audience in ("https://other.example", f"{ADDRESS}.evil.example", f"{ADDRESS}/", ""):
        sent = bearer(signed(of_server(aud=audience)))
        assert asking("GET", "/log/checkpoint", sent).status == 401
