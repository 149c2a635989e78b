"""How many refused tokens one address may send, in each process.

Only what is refused is counted, and only refusals are held back: behind one address there may be a
whole clinic (NAT), and one record system with a wrong clock must not shut out the others. So every
token is looked at, however many were refused before. That is affordable: a signature is verified
in some tenths of a millisecond (what is no token of a listed issuer never comes that far), keys are
fetched every half minute at most, nothing is written for a token that does not hold, and
`CDS_MAX_CONCURRENT` bounds how many are looked at in one moment. What a flood would cost without
this is the operator's log: past the bound its lines stop too.
"""

import time
from collections.abc import Callable
from ipaddress import IPv6Address, ip_address, ip_network

from starlette.types import Scope

from cds_service.web.evenly import Evenly

_SAID = "1/minute"
"""How often the log says of one address that its refusals are not written down."""


class Refusals:
    """Counts what each address was refused; `rate` is how much of it is answered with 401."""

    def __init__(self, rate: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._refused, self._said = Evenly(rate, clock), Evenly(_SAID, clock)

    def wait(self, scope: Scope) -> float:
        """Count one refusal; seconds that this address has to wait before the next, 0 if none."""
        return self._refused.wait(network(scope))

    def is_to_be_said(self, scope: Scope) -> bool:
        """Whether the log should say now that this address is held back."""
        return not self._said.wait(network(scope))


def network(scope: Scope) -> str:
    """Where a request comes from, as the server sees it: behind a proxy on this machine, what that
    says (X-Forwarded-For). Of IPv6 the first 64 bits, which one household has for itself.

    >>> network({"client": ("192.0.2.7", 5000)}), network({"client": ("2001:db8::1:2", 5000)})
    ('192.0.2.7', '2001:db8::/64')
    >>> network({"client": None})
    ''
    """
    host = str((scope.get("client") or ("",))[0])
    try:
        address = ip_address(host)
    except ValueError:
        return host
    return str(ip_network((int(address) >> 64 << 64, 64))) if _is_six(address) else host


def _is_six(address: object) -> bool:
    return isinstance(address, IPv6Address) and address.ipv4_mapped is None
