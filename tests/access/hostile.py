"""Tokens that must all be refused, each named by what is wrong with it.

RFC 8725 (JSON Web Token Best Current Practices), SMART App Launch 2.2 and CDS Hooks 2.0 name the
attacks; from memory.
"""

import hmac
import json
from collections.abc import Iterator
from hashlib import sha384
from typing import Any

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from .tokens import (
    ADDRESS,
    APPLY,
    CLIENT,
    NOW,
    SERVER,
    base64_of,
    claims,
    ec_key,
    of_server,
    public,
    raw,
    rsa_key,
    signed,
    well_signed,
)

GOOD = {"alg": "ES384", "typ": "JWT", "kid": "ec"}


def hostile() -> Iterator[tuple[str, str]]:
    """Name and token."""
    yield from _forms()
    yield from _algorithms()
    yield from _headers()
    yield from _audiences_and_issuers()
    yield from _times()
    yield from _others()


def _forms() -> Iterator[tuple[str, str]]:
    good = signed(claims())
    head, body, signature = good.split(".")
    yield "nothing", "."
    yield "no token at all", "AAAA"
    yield "two parts", f"{head}.{body}"
    yield "four parts", f"{good}.{signature}"
    yield "five parts, as if encrypted", f"{head}.{body}.{signature}.{signature}.{signature}"
    yield "no signature", f"{head}.{body}."
    yield "half of its signature", f"{head}.{body}.{signature[: len(signature) // 2]}"
    yield "another's signature", f"{head}.{body}.{signed(claims(jti='x')).split('.')[2]}"
    yield "zeros as signature", raw(GOOD, claims(), bytes(96))
    yield "other claims under the signature", f"{head}.{_json(claims(sub='admin'))}.{signature}"
    yield "a header that is no JSON", raw(b"{", claims())
    yield "claims that are no JSON", well_signed(b"{")
    yield "claims that are a list", well_signed([claims()])
    yield "a header that is a list", raw([GOOD], claims())
    yield "bytes that are no UTF-8", well_signed(b"\xff\xfe{}")
    yield "nested beyond measure", well_signed(b"[" * 3000)
    yield "far too long", signed(claims(more="x" * 9000))


def _json(said: Any) -> str:
    return base64_of(json.dumps(said).encode())


def _algorithms() -> Iterator[tuple[str, str]]:
    for name in ("none", "None", "NONE", ""):
        yield f"alg {name!r}", raw({**GOOD, "alg": name}, claims(), b"")
    yield "no alg", raw({"typ": "JWT", "kid": "ec"}, claims())
    yield "alg as a list", raw({**GOOD, "alg": ["ES384"]}, claims())
    pem = ec_key().public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    head, body = _json({**GOOD, "alg": "HS384"}), _json(claims())
    forged = hmac.digest(pem, f"{head}.{body}".encode(), sha384)
    yield "HMAC under the public key", f"{head}.{body}.{base64_of(forged)}"
    unkeyed = hmac.digest(b"", f"{head}.{body}".encode(), sha384)
    yield "HMAC under nothing", f"{head}.{body}.{base64_of(unkeyed)}"
    yield "RS256", signed(claims(), rsa_key(), "RS256", kid="rsa")
    yield "RS512", signed(claims(), rsa_key(), "RS512", kid="rsa")
    yield "PS384", signed(claims(), rsa_key(), "PS384", kid="rsa")
    p256 = ec_key("p256", ec.SECP256R1)
    yield "ES256", signed(claims(), p256, "ES256")
    yield "RS384 said, the elliptic key named", signed(claims(), rsa_key(), "RS384", kid="ec")
    yield "ES384 said, the RSA key named", signed(claims(), kid="rsa")


def _headers() -> Iterator[tuple[str, str]]:
    stranger = ec_key("stranger")
    yield "a stranger's key", signed(claims(), stranger)
    yield "an unknown kid", signed(claims(), kid="other")
    yield "no kid", signed(claims(), kid=...)
    yield "a kid that is a path", signed(claims(), kid="../../../dev/null")
    yield "a kid that is SQL", signed(claims(), kid="ec' OR '1'='1")
    jwk = public(stranger, "ec")
    yield "its own key along (jwk)", signed(claims(), stranger, jwk=jwk)
    yield "keys at another address (jku)", signed(claims(), stranger, jku="https://evil.example/k")
    yield "keys at another address, well signed", signed(claims(), jku="https://evil.example/k")
    yield "a certificate at another address", signed(claims(), x5u="https://evil.example/c")
    yield "a certificate along", signed(claims(), x5c=["MIIB"])
    yield "an extension that must be understood", signed(claims(), crit=["exp"])
    yield "of another type", signed(claims(), typ="dpop+jwt")
    yield "an access token's type from a client", signed(claims(), typ="at+jwt")
    yield (
        "of no type",
        well_signed(claims(), typ=None),
    )


def _audiences_and_issuers() -> Iterator[tuple[str, str]]:
    yield "for another service", signed(claims(aud="https://other.example" + APPLY))
    yield "for another address here", signed(claims(aud=f"{ADDRESS}/fhir/AuditEvent"))
    yield "for the service as a whole", signed(claims(aud=ADDRESS))
    yield "for several", signed(claims(aud=[f"{ADDRESS}{APPLY}", "https://other.example"]))
    yield "for the address and more", signed(claims(aud=f"{ADDRESS}{APPLY}/"))
    yield "for nobody", signed(claims(aud=...))
    yield "for an object", well_signed(claims(aud={"url": ADDRESS}))
    yield "of an issuer that is not listed", signed(claims(iss="https://evil.example"))
    yield "of nobody", signed(claims(iss=...))
    yield "of several", well_signed(claims(iss=[CLIENT]))
    yield "of an issuer nearly listed", signed(claims(iss=f"{CLIENT}/"))
    yield "of the server, for an address", signed(of_server(aud=f"{ADDRESS}{APPLY}"))
    yield "of the server, without a client", signed(of_server(client_id=...))
    yield "of the server, without scopes", signed(of_server(scope=...))
    yield "of the server, a client that breaks the log", signed(of_server(client_id="a\nb"))
    yield "of the server, a client of any length", signed(of_server(client_id="a" * 65))
    yield "of the server in the name of the client", signed(of_server(iss=CLIENT, aud=SERVER))


def _times() -> Iterator[tuple[str, str]]:
    yield "expired", signed(claims(iat=NOW - 300, exp=NOW - 31))
    yield "good for six minutes", signed(claims(exp=NOW + 360))
    yield "good for ever", signed(claims(exp=NOW + 10**9))
    yield "issued and good in the future", signed(claims(iat=NOW + 900, exp=NOW + 1000))
    yield "issued later than now", signed(claims(iat=NOW + 60, exp=NOW + 120))
    yield "not good yet", signed(claims(nbf=NOW + 60))
    yield "without an end", signed(claims(exp=...))
    yield "without a beginning", signed(claims(iat=...))
    for name in ("exp", "iat", "nbf"):
        yield f"{name} as text", well_signed(claims(**{name: str(NOW)}))
        yield f"{name} that is no number", signed(claims(**{name: float("nan")}))
    yield "exp without bounds", signed(claims(exp=float("inf")))
    yield "iat that no float can hold", signed(claims(iat=-(10**400), exp=float(NOW)))
    yield "exp that no float can hold", signed(claims(iat=float(NOW), exp=10**400))
    yield "nbf before all time", signed(claims(nbf=-(10**400)))
    yield "exp that is true", signed(claims(exp=True))


def _others() -> Iterator[tuple[str, str]]:
    yield "without jti", signed(claims(jti=...))
    yield "an empty jti", signed(claims(jti=""))
    yield "a jti without end", signed(claims(jti="x" * 600))
    yield "a jti of half a surrogate pair", signed(claims(jti="\ud800"))
    yield "a jti that breaks the line", signed(claims(jti="a\nb"))
    yield "a jti that is a number", well_signed(claims(jti=7))
