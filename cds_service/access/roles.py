"""What a caller may do, and who he is in the log."""

from dataclasses import dataclass
from enum import StrEnum

from cds_service.audit.record import Origin


class Role(StrEnum):
    """What a caller may do; none includes another."""

    CALL = "call"
    """Ask for recommendations, say what became of them, and prove what he was given."""
    AUDIT = "audit"
    """Read the log of the own organisation."""
    ADMINISTER = "administer"
    """See how the service does: its measurements."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Whoever a token speaks for."""

    origin: Origin
    """Organisation and client, as the log names them."""
    roles: frozenset[Role]


SCOPE = "cds/"
"""An access token's scope for a role is this and the role: `cds/call`."""


def of_scopes(scopes: str, most: frozenset[Role]) -> frozenset[Role]:
    """The roles that the scopes of an access token (RFC 6749, 3.3) name, of those allowed.

    >>> sorted(of_scopes("openid cds/call cds/audit", frozenset({Role.CALL})))
    [<Role.CALL: 'call'>]
    """
    named = set(scopes.split())
    return frozenset(role for role in most if f"{SCOPE}{role}" in named)
