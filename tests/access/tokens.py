"""Keys, issuers and tokens of invented record systems."""

import base64
import json
from collections.abc import Callable
from functools import cache
from typing import Any

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from jwt.algorithms import ECAlgorithm, RSAAlgorithm
from jwt.api_jws import PyJWS

from cds_service.access.issuers import Issuer
from cds_service.access.roles import Role
from cds_service.access.token import Access

NOW = 1_772_000_000
ADDRESS = "https://cds.marrow-vale.example"
CLIENT, SERVER = "https://records.marrow-vale.example", "https://login.marrow-vale.example"
APPLY = "/fhir/PlanDefinition/sick-young-infant/$apply"


@cache
def ec_key(name: str = "good", curve: type[ec.EllipticCurve] = ec.SECP384R1) -> Any:
    return ec.generate_private_key(curve())


@cache
def rsa_key(name: str = "good", bits: int = 2048) -> Any:
    return rsa.generate_private_key(65537, bits)


def public(key: Any, kid: str, **more: Any) -> dict[str, Any]:
    kind = ECAlgorithm if isinstance(key, ec.EllipticCurvePrivateKey) else RSAAlgorithm
    made: dict[str, Any] = json.loads(kind.to_jwk(key.public_key()))
    return {**made, "kid": kid, **more}


@cache
def key_set() -> Callable[[], dict[str, Any]]:
    keys = {"keys": [public(ec_key(), "ec"), public(rsa_key(), "rsa")]}
    return lambda: json.loads(json.dumps(keys))


def client(**changes: Any) -> Issuer:
    given: dict[str, Any] = {
        "issuer": CLIENT, "use": "client", "keys": key_set()(), "tenant": "marrow-vale",
        "caller": "tolm-ford", "roles": [Role.CALL],
    }  # fmt: skip
    return Issuer.model_validate(given | changes)


def server(**changes: Any) -> Issuer:
    given: dict[str, Any] = {
        "issuer": SERVER, "use": "server", "keys": key_set()(), "tenant": "marrow-vale",
        "roles": list(Role), "token_endpoint": f"{SERVER}/token",
    }  # fmt: skip
    return Issuer.model_validate(given | changes)


def claims(**changes: Any) -> dict[str, Any]:
    """Of a client's token for `$apply`; a change to ... leaves one out."""
    given = {
        "iss": CLIENT, "aud": f"{ADDRESS}{APPLY}", "iat": NOW, "exp": NOW + 120,
        "jti": "6f2c0c1e", "sub": CLIENT,
    }  # fmt: skip
    return {name: value for name, value in (given | changes).items() if value is not ...}


def of_server(**changes: Any) -> dict[str, Any]:
    return claims(
        **{"iss": SERVER, "aud": ADDRESS, "client_id": "tolm-ford", "scope": "cds/call"} | changes
    )


def signed(said: dict[str, Any], key: Any = None, algorithm: str = "ES384", **header: Any) -> str:
    headers = {"kid": "ec", **header}
    kept = {name: value for name, value in headers.items() if value is not ...}
    return jwt.encode(said, key or ec_key(), algorithm, headers=kept)


def raw(header: Any, said: Any, signature: bytes = b"x" * 96) -> str:
    """A token of any bytes."""
    return ".".join(map(base64_of, (*map(_bytes, (header, said)), signature)))


def well_signed(said: Any, **header: Any) -> str:
    """Any bytes or JSON under a good signature: what no library of honest people would write."""
    return PyJWS().encode(_bytes(said), ec_key(), "ES384", headers={"kid": "ec", **header})


def _bytes(part: Any) -> bytes:
    return part if isinstance(part, bytes) else json.dumps(part).encode()


def base64_of(part: bytes) -> str:
    return base64.urlsafe_b64encode(part).rstrip(b"=").decode()


class Remembered:
    """Used tokens, in memory."""

    def __init__(self) -> None:
        self.marks: dict[bytes, int] = {}

    def first(self, mark: bytes, until: int) -> bool:
        if mark in self.marks:
            return False
        self.marks[mark] = until
        return True

    def close(self) -> None:
        self.marks.clear()


def access(*issuers: Issuer, now: float = NOW, seen: Any = None, **options: Any) -> Access:
    return Access(
        issuers or (client(), server()), ADDRESS, seen or Remembered(), clock=lambda: now, **options
    )
