"""A copy of a value with some fields changed, whether it is a dataclass or a named tuple."""

import dataclasses
from typing import Any, TypeVar

T = TypeVar("T")


def replace(value: T, **changes: Any) -> T:
    """As `dataclasses.replace`, for both kinds of frozen values."""
    if isinstance(value, tuple):
        return value._replace(**changes)  # type: ignore[attr-defined,no-any-return]
    return dataclasses.replace(value, **changes)  # type: ignore[type-var]
