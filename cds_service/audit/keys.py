"""Private keys of the log in PEM files (PKCS #8, RFC 5958): outside the database, owner only."""

import os
import stat
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from cds_service.audit.note import Signer
from cds_service.errors import SettingsError

_OTHERS = stat.S_IRWXG | stat.S_IRWXO


def load_signer(name: str, paths: Sequence[Path]) -> Signer:
    """The signer with the keys of these files; the first is the oldest.

    Raises SettingsError with a finding for each file that cannot be used, and for a name or a
    list that makes no signer.
    """
    keys: list[Ed25519PrivateKey] = []
    findings: list[str] = []
    for path in paths:
        try:
            keys.append(load_key(path))
        except SettingsError as error:
            findings += error.findings
    if len({key.public_key().public_bytes_raw() for key in keys}) != len(keys):
        findings.append("the same key is named twice")
    if findings:
        raise SettingsError(tuple(findings))
    try:
        return Signer(name, keys)
    except ValueError as error:
        raise SettingsError((str(error),)) from error


def load_key(path: Path) -> Ed25519PrivateKey:
    """Read one private key; raises SettingsError when others may read it too."""
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            if mode & _OTHERS:
                raise SettingsError((f"{path}: others may use this key: chmod 600",))
            key = load_pem_private_key(file.read(), None)
    except OSError as error:
        raise SettingsError((f"{path}: cannot be read: {error.strerror}",)) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        # What the file holds is not told: it may be a key with a slip in it.
        raise SettingsError((f"{path}: is no unencrypted private key in PEM",)) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise SettingsError((f"{path}: is no Ed25519 key",))
    return key


def make_key(path: Path) -> None:
    """Make a private key in a new file with mode 0600, durably.

    Raises SettingsError when the file is there already (a key is never overwritten) or cannot
    be written.
    """
    pem = Ed25519PrivateKey.generate().private_bytes(
        Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()
    )
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise SettingsError((f"{path}: cannot be made: {error.strerror}",)) from error


def first_key(path: Path) -> None:
    """Make the key of a new log unless it is there; it appears whole, whoever else makes it too.

    Raises SettingsError when it cannot be made.
    """
    if path.exists():
        return
    own = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        own.unlink(missing_ok=True)
        make_key(own)
        with suppress(FileExistsError):
            os.link(own, path)
    except OSError as error:
        raise SettingsError((f"{path}: cannot be made: {error.strerror}",)) from error
    finally:
        with suppress(OSError):
            own.unlink()
