"""Ids, references and numbers as they stand in the written JSON.

Numbers are written from their Decimal, as plain JSON numbers: FHIR R4, datatype `decimal`,
whose precision must not be lost.
"""

from collections.abc import Sequence
from decimal import Decimal
from hashlib import sha1
from struct import Struct
from typing import Any

import orjson

from cds_service.case import Origin
from cds_service.engine.phrase import number, unit_name
from cds_service.fhir.codes import UCUM
from cds_service.quantity import Quantity

Json = dict[str, Any]

# Of 40 hex digits: 8, 4, the version's place, 3, the variant's place, 3, 12; the rest is left.
_UUID = Struct("8s4sx3sc3s12s8x")
# RFC 9562: the two highest bits of this digit are 10, the others are those of the hash.
_VARIANT = {b"%x" % digit: b"-%x" % (digit & 3 | 8) for digit in range(16)}


def uuid5(space: bytes, name: bytes) -> bytes:
    """UUID version 5 (RFC 9562) of a name; the same text as `uuid.uuid5`, in a third of the time.

    >>> from uuid import UUID
    >>> uuid5(UUID(int=0).bytes, b"order.amoxicillin")
    b'76aa909c-e134-5b98-b9fa-74eeb5466c44'
    """
    digits = sha1(space + name, usedforsecurity=False).hexdigest().encode()
    low, middle, high, variant, clock, node = _UUID.unpack(digits)
    return b"".join((low, b"-", middle, b"-5", high, _VARIANT[variant], clock, b"-", node))


def exact(value: Decimal) -> int | orjson.Fragment:
    """A Decimal as a JSON number without exponent and without loss.

    >>> orjson.dumps([exact(Decimal("1.50")), exact(Decimal("1E+2"))])
    b'[1.5,100]'
    """
    text = number(value)
    return orjson.Fragment(text) if "." in text else int(text)


def quantity(amount: Quantity) -> Json:
    """A FHIR Quantity in UCUM."""
    return counted(exact(amount.value), amount.unit)


def counted(value: int | orjson.Fragment, unit: str) -> Json:
    """A FHIR Quantity of a ready JSON number in UCUM."""
    return {"value": value, "unit": unit_name(unit), "system": UCUM, "code": unit}


def references(origins: Sequence[Origin], nameless: str = "") -> list[bytes]:
    """References to the caller's resources, each once.

    One that has no address is named by `nameless`, or left out when that is empty.
    """
    if not origins:
        return []
    found = dict.fromkeys([origin.reference for origin in origins])
    return [
        orjson.dumps({"reference": known} if known else {"display": nameless})
        for known in found
        if known or nameless
    ]
