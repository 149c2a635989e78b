"""Ids, references and numbers as they stand in the written JSON.

Numbers are written from their Decimal, as plain JSON numbers: FHIR R4, datatype `decimal`,
whose precision must not be lost.
"""

from collections.abc import Iterable
from decimal import Decimal
from hashlib import sha1
from typing import Any

import orjson

from cds_service.case import Origin
from cds_service.engine.phrase import number, unit_name
from cds_service.fhir.codes import UCUM
from cds_service.quantity import Quantity

Json = dict[str, Any]

# RFC 9562: the two highest bits of this digit are 10, the others are those of the hash.
_VARIANT = dict(zip("0123456789abcdef", "89ab" * 4, strict=True))


def uuid5(space: bytes, name: str) -> str:
    """UUID version 5 (RFC 9562) of a name; the same text as `uuid.uuid5`, in half the time.

    >>> from uuid import UUID
    >>> uuid5(UUID(int=0).bytes, "order.amoxicillin")
    '76aa909c-e134-5b98-b9fa-74eeb5466c44'
    """
    text = sha1(space + name.encode(), usedforsecurity=False).hexdigest()
    variant = _VARIANT[text[16]]
    return f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{variant}{text[17:20]}-{text[20:32]}"


def exact(value: Decimal) -> int | orjson.Fragment:
    """A Decimal as a JSON number without exponent and without loss.

    >>> orjson.dumps([exact(Decimal("1.50")), exact(Decimal("1E+2"))])
    b'[1.5,100]'
    """
    text = number(value)
    return orjson.Fragment(text) if "." in text else int(text)


def as_fragment(part: Json | list[Json]) -> orjson.Fragment:
    """A part that is the same in many answers, as the bytes it will be."""
    return orjson.Fragment(orjson.dumps(part))


def quantity(amount: Quantity) -> Json:
    """A FHIR Quantity in UCUM."""
    return counted(exact(amount.value), amount.unit)


def counted(value: int | orjson.Fragment, unit: str) -> Json:
    """A FHIR Quantity of a ready JSON number in UCUM."""
    return {"value": value, "unit": unit_name(unit), "system": UCUM, "code": unit}


def references(origins: Iterable[Origin], nameless: str) -> list[Json]:
    """References to the caller's resources, each once; one that has no address gets a name."""
    found = dict.fromkeys(origin.reference for origin in origins)
    return [{"reference": known} if known else {"display": nameless} for known in found]
