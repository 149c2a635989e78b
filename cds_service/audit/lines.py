"""What notes, checkpoints and proofs are made of: plain lines, base64, numbers, each strict.

Every reader raises LogProofError, and accepts one spelling of each value only.
"""

import base64
import re

from cds_service.audit.tree import HASH_SIZE
from cds_service.errors import LogProofError

LARGEST = 512 * 1024
"""Characters of a note or a proof; a signature of a type we do not know may have 5 kB."""

_NOT_PLAIN = re.compile(r"[\x00-\x09\x0b-\x1f\ud800-\udfff]")
_DECIMAL = re.compile(r"0|[1-9][0-9]{0,18}")


def is_plain(text: str) -> bool:
    """Whether the text is UTF-8 and has no control characters below U+0020 but newlines."""
    return _NOT_PLAIN.search(text) is None


def is_name(name: str) -> bool:
    """Whether a key may have this name: plain, not empty, no space of Unicode, no plus."""
    return bool(name) and is_plain(name) and not any(c.isspace() or c == "+" for c in name)


def plain(text: str, what: str) -> None:
    """Refuse a text that is too large or not plain."""
    if len(text) > LARGEST:
        raise LogProofError(f"a {what} has at most {LARGEST} characters")
    if not is_plain(text):
        raise LogProofError(f"a {what} is UTF-8 and has no control characters but newlines")


def unbase64(text: str) -> bytes:
    """Decode standard base64 (RFC 4648 section 4) of one byte at least."""
    try:
        decoded = base64.b64decode(text, validate=True)
    except ValueError:
        decoded = b""
    if not decoded or base64.b64encode(decoded).decode() != text:
        raise LogProofError("expected base64, found something else")
    return decoded


def hash_line(text: str) -> bytes:
    """Read one hash in base64."""
    value = unbase64(text)
    if len(value) != HASH_SIZE:
        raise LogProofError(f"a hash has {HASH_SIZE} bytes, found {len(value)}")
    return value


def decimal(text: str, what: str) -> int:
    """Read a whole number without leading zeros; 19 digits are more than any log has."""
    if not _DECIMAL.fullmatch(text):
        raise LogProofError(f"the {what} is not a whole number without leading zeros")
    return int(text)
