"""What single settings mean: addresses, files, lists."""

import re
from collections.abc import Mapping, Sequence
from ipaddress import ip_address, ip_network
from pathlib import Path
from urllib.parse import urlsplit


def default_database(environment: Mapping[str, str]) -> Path:
    """The log's file in the user's data folder (XDG Base Directory Specification)."""
    data = environment.get("XDG_DATA_HOME") or Path.home() / ".local/share"
    return Path(data) / "cds-service/log.db"


def place(url: str) -> str:
    """Which database an address is of, without a password; raises ValueError for none."""
    # Imported where it is used: it takes a tenth of a second, and most have no PostgreSQL.
    from cds_service.audit import postgres_session

    return postgres_session.place(url)


def role_and_place(url: str) -> str:
    """The same with the role; nothing of it is secret."""
    from cds_service.audit import postgres_session

    return postgres_session.role_and_place(url)


def paths(files: str) -> list[Path]:
    """The files of a setting that may name several.

    >>> paths("old.key, new.key"), paths("")
    ([PosixPath('old.key'), PosixPath('new.key')], [])
    """
    return [Path(name.strip()).expanduser() for name in files.split(",") if name.strip()]


def listed(text: str) -> tuple[str, ...]:
    """The parts of a list with commas.

    >>> listed("https://a.example, https://b.example"), listed("")
    (('https://a.example', 'https://b.example'), ())
    """
    return tuple(each.strip() for each in text.split(",") if each.strip())


RATE = r"([1-9][0-9]{0,8})/(second|minute|hour|day)"
"""How a rate is set: `600/minute`."""
_SPANS = {"second": 1.0, "minute": 60.0, "hour": 3600.0, "day": 86400.0}


def rate_of(text: str) -> tuple[int, float]:
    """How many in how many seconds; raises ValueError.

    >>> rate_of("600/minute")
    (600, 60.0)
    """
    found = re.fullmatch(RATE, text)
    if found is None:
        raise ValueError("not a rate")
    return int(found[1]), _SPANS[found[2]]


def is_host(name: str) -> bool:
    """Whether it is a name as it stands in a Host header without a port.

    >>> is_host("clinic-1.example"), is_host("[::1]"), is_host("clinic:8080"), is_host("*")
    (True, True, False, False)
    """
    return re.fullmatch(r"[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\]", name) is not None


def names_of(host: str, further: Sequence[str]) -> tuple[str, ...]:
    """The names of a service on this machine, as they stand in a Host header without a port.

    >>> names_of("::1", ["Clinic-PC"])
    ('localhost', '127.0.0.1', '[::1]', 'clinic-pc')
    """
    listens_on = f"[{host}]" if ":" in host else host
    given = ("localhost", "127.0.0.1", "[::1]", listens_on, *further)
    return tuple(dict.fromkeys(name.lower() for name in given))


def host_of(url: str) -> str:
    """The host of an address, "" when it has none.

    >>> host_of("https://cds.example:8443/here"), host_of("http://[::1]:8080")
    ('cds.example', '::1')
    """
    return urlsplit(url).hostname or ""


def is_network(text: str) -> bool:
    """Whether it is an IP address, or a network of them (RFC 4632, RFC 4291).

    >>> is_network("10.0.0.7"), is_network("fd00::/8"), is_network("10.0.0.7/8"), is_network("*")
    (True, True, False, False)
    """
    try:
        ip_network(text)
    except ValueError:
        return False
    return True


def is_origin(text: str) -> bool:
    """Whether it is an origin as browsers send it (RFC 6454, section 6.2).

    >>> is_origin("https://record.example"), is_origin("*"), is_origin("https://a.example/")
    (True, False, False)
    """
    host = r"([a-z0-9.\-]+|\[[0-9a-f:]+\])"
    return re.fullmatch(rf"https?://{host}(:\d{{1,5}})?", text) is not None


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches `host`.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("localhost")
    (True, True, True)
    >>> is_loopback("0.0.0.0"), is_loopback("clinic.example")
    (False, False)
    """
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
