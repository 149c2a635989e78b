"""Whether a token may be taken: RFC 7519 and RFC 8725, as SMART and CDS Hooks narrow them.

Signed with RS384 or ES384 by a listed issuer, for this very address, for at most five minutes. A
token that a client makes for a call is good for one call.
"""

import re
import time
from collections.abc import Callable, Mapping
from hashlib import sha256
from typing import Any

import jwt

from cds_service.access.fetching import Fetched, fetch
from cds_service.access.issuers import NAME, Issuer
from cds_service.access.keyring import Keyring
from cds_service.access.roles import Caller, of_scopes
from cds_service.access.seen import Seen
from cds_service.audit.record import Origin
from cds_service.errors import NotAllowed

ALGORITHMS = ("RS384", "ES384")
LONGEST = 300
"""Seconds that a token may be good for (SMART Backend Services; here for all)."""
SKEW = 30
"""Seconds by which the clocks may differ."""
LARGEST = 8192
"""Characters of a token."""
_LAST = 2**53
"""Seconds; of a whole number beyond it no float can be subtracted."""
_FOREIGN = ("jwk", "x5u", "x5c", "crit", "b64", "zip")
"""Header parameters that bring a key along, or change what the token is."""
_TYPES = {"client": ("jwt",), "server": ("jwt", "at+jwt", "application/at+jwt")}


class Access:
    """Checks tokens for one service whose address, as its callers know it, is `address`."""

    def __init__(
        self,
        issuers: tuple[Issuer, ...],
        address: str,
        seen: Seen,
        *,
        clock: Callable[[], float] = time.time,
        get: Callable[[str], Fetched] = fetch,
    ) -> None:
        self.issuers = issuers
        self.address = address
        self._known = {each.issuer: (each, Keyring(each, get)) for each in issuers}
        self._seen, self._clock = seen, clock

    def caller(self, token: str, path: str) -> Caller:
        """Whoever the token speaks for, at this path; raises NotAllowed (why: for the operator).

        Raises LogUnavailable when it cannot be known whether the token was used before.
        """
        header = _header(token)
        issuer, ring = self._issuer(token)
        try:
            return self._of(issuer, ring, header, token, path)
        except NotAllowed as error:
            # Words of the operator's own file, never the token's.
            its = f"{issuer.tenant}/{issuer.caller or 'a client'}"
            raise NotAllowed(f"{error}; it says that it is of {its}") from error

    def _of(
        self, issuer: Issuer, ring: Keyring, header: Mapping[str, Any], token: str, path: str
    ) -> Caller:
        _check_header(header, issuer)
        key = ring.key(header["kid"], header["alg"])
        claims = self._claims(token, key, header["alg"], issuer, path)
        caller = _caller(issuer, claims)
        if issuer.use == "client":
            mark = sha256(f"{issuer.issuer}\0{claims['jti']}".encode()).digest()
            if not self._seen.first(mark, int(claims["exp"]) + SKEW + 1):
                raise NotAllowed("the token was used before")
        return caller

    def close(self) -> None:
        """Let go of the list of used tokens."""
        self._seen.close()

    def _issuer(self, token: str) -> tuple[Issuer, Keyring]:
        try:
            said = jwt.decode(token, options={"verify_signature": False})
        except (jwt.InvalidTokenError, ValueError, RecursionError) as error:
            raise NotAllowed("the token cannot be read") from error
        name = said.get("iss")
        if not isinstance(name, str) or name not in self._known:
            raise NotAllowed("the issuer is not listed")
        return self._known[name]

    def _audiences(self, issuer: Issuer, path: str) -> list[str]:
        """A client names the very address that it calls (CDS Hooks); a server the service."""
        if issuer.use == "client":
            return [f"{self.address}{path}"]
        return [self.address, f"{self.address}/fhir"]

    def _claims(
        self, token: str, key: Any, algorithm: str, issuer: Issuer, path: str
    ) -> Mapping[str, Any]:
        now = self._clock()
        try:
            claims: dict[str, Any] = jwt.decode(
                token,
                key,
                algorithms=[algorithm],
                audience=self._audiences(issuer, path),
                options={
                    "require": ["iss", "aud", "exp", "iat", "jti"],
                    # The clock is ours, see below.
                    "verify_exp": False, "verify_iat": False, "verify_nbf": False,
                },
            )  # fmt: skip
        except jwt.InvalidAudienceError as error:
            # Without the path: whoever calls may have written a name into it.
            wanted = "the address called, which begins with" if issuer.use == "client" else "this:"
            raise NotAllowed(f"the token's aud is not {wanted} {self.address}") from error
        except jwt.MissingRequiredClaimError as error:
            raise NotAllowed(f"the token has no {error.claim}") from error
        except (jwt.InvalidTokenError, ValueError, RecursionError) as error:
            raise NotAllowed(f"the token does not hold: {type(error).__name__}") from error
        if issuer.use == "client" and not isinstance(claims["aud"], str):
            raise NotAllowed("the token is for several addresses")
        _check_times(claims, now)
        jti = claims["jti"]
        if not isinstance(jti, str) or not 1 <= len(jti) <= 512 or not jti.isprintable():
            raise NotAllowed("the token has no usable jti")  # half a surrogate pair has no bytes
        return claims


def _header(token: str) -> dict[str, Any]:
    if len(token) > LARGEST:
        raise NotAllowed("the token is too long")
    try:
        return jwt.get_unverified_header(token)
    except (jwt.InvalidTokenError, ValueError, RecursionError) as error:
        raise NotAllowed("the token cannot be read") from error


def _check_header(header: Mapping[str, Any], issuer: Issuer) -> None:
    if header.get("alg") not in ALGORITHMS:
        raise NotAllowed("the token is not signed with RS384 or ES384")
    kind = header.get("typ")
    if not isinstance(kind, str) or kind.lower() not in _TYPES[issuer.use]:
        raise NotAllowed("the token is of another type")
    if not isinstance(header.get("kid"), str):
        raise NotAllowed("the token does not say by which key it is signed")
    if any(name in header for name in _FOREIGN):
        raise NotAllowed("the token brings a key or an extension along")
    if "jku" in header and header["jku"] != issuer.keys_url:
        raise NotAllowed("the token names keys at an address that is not listed")


def _check_times(claims: Mapping[str, Any], now: float) -> None:
    issued, expires, begins = claims["iat"], claims["exp"], claims.get("nbf", 0)
    if any(type(each) not in (int, float) for each in (issued, expires, begins)):
        raise NotAllowed("a time of the token is no number")
    if any(abs(each) > _LAST for each in (issued, expires, begins)):
        raise NotAllowed("a time of the token is beyond all calendars")
    if not expires - issued <= LONGEST:
        raise NotAllowed("the token is good for more than five minutes")
    if not now < expires + SKEW:
        raise NotAllowed("the token has expired: an old one, or the caller's clock is behind")
    # With both, it ends at most five minutes from now.
    if not (issued <= now + SKEW and begins <= now + SKEW):
        raise NotAllowed("the token is of the future: the caller's clock is ahead")


def _caller(issuer: Issuer, claims: Mapping[str, Any]) -> Caller:
    if issuer.use == "client":
        return Caller(Origin(issuer.tenant, issuer.caller or ""), issuer.roles)
    client, scopes = claims.get("client_id"), claims.get("scope")
    if not isinstance(client, str) or not isinstance(scopes, str):
        raise NotAllowed("the token does not say which client it is of, and what for")
    name = issuer.caller or client
    if not re.fullmatch(NAME, name, re.ASCII):
        raise NotAllowed("the client's name cannot be put into the log")
    roles = of_scopes(scopes, issuer.roles)
    return Caller(Origin(issuer.tenant, name), roles)
