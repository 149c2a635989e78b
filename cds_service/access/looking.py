"""Whether the keys of the issuers can be had now; nothing is kept, and no token is looked at."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from ssl import SSLCertVerificationError
from typing import NamedTuple
from urllib.error import HTTPError, URLError

from cds_service.access.fetching import Fetched, fetch
from cds_service.access.issuers import Issuer
from cds_service.access.keyring import given_keys, parse
from cds_service.errors import SettingsError

_AT_ONCE = 64
"""Addresses that are asked at a time: all together take no longer than the slowest."""
_REFUSED = (
    "The service starts all the same, but refuses the tokens of this issuer until its keys can be "
    "had"
)


class Looked(NamedTuple):
    """What was found of one issuer."""

    issuer: str
    keys: int
    """How many of its keys can verify a token."""
    wrong: tuple[str, ...] = ()


def looked_at(issuers: Sequence[Issuer], get: Callable[[str], Fetched] = fetch) -> Iterator[Looked]:
    """Each issuer with its usable keys, in order; those with an address are asked at once."""
    with ThreadPoolExecutor(max(1, min(len(issuers), _AT_ONCE))) as pool:
        yield from pool.map(partial(_looked_at, get), issuers)


def _looked_at(get: Callable[[str], Fetched], issuer: Issuer) -> Looked:
    if issuer.keys_url is None:
        try:
            return Looked(issuer.issuer, len(given_keys(issuer)))
        except SettingsError as error:
            return Looked(issuer.issuer, 0, error.findings)
    try:
        if keys := len(parse(get(issuer.keys_url).body)):
            return Looked(issuer.issuer, keys)
        why = "has no public key for RS384 (2048 bits or more) or ES384, with a kid"
    except OSError as error:
        why = f"gives no keys: {_reason(error)}"
    except ValueError:
        why = "does not answer with a JWK Set of different keys"
    return Looked(issuer.issuer, 0, (f"{issuer.keys_url} {why}. {_REFUSED}",))


def _reason(error: OSError) -> str:
    """Why nothing was fetched, without anything of what came."""
    if isinstance(error, HTTPError):
        with error:
            return f"it answers with status {error.code}"
    cause = error.reason if isinstance(error, URLError) else error
    if isinstance(cause, TimeoutError):
        return "it does not answer in time"
    if isinstance(cause, SSLCertVerificationError):
        return f"its certificate is not to be trusted: {cause.verify_message}"
    told = getattr(cause, "strerror", None) or str(cause)
    return told or type(cause).__name__
