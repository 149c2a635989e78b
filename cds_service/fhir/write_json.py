"""Ids, references and numbers as they stand in the written JSON.

Numbers are written from their Decimal, as plain JSON numbers: FHIR R4, datatype `decimal`,
whose precision must not be lost.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import orjson

from cds_service.case import Origin
from cds_service.engine.phrase import number, unit_name
from cds_service.fhir.codes import UCUM
from cds_service.quantity import Quantity

Json = dict[str, Any]


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


def exactly(tree: Any) -> Any:
    """The tree with every Decimal as the JSON number that it was read from.

    >>> orjson.dumps(exactly({"value": Decimal("0.50")}))
    b'{"value":0.50}'
    """
    if isinstance(tree, dict):
        return {key: exactly(value) for key, value in tree.items()}
    if isinstance(tree, list):
        return [exactly(each) for each in tree]
    return orjson.Fragment(f"{tree:f}") if isinstance(tree, Decimal) else tree
