"""What is wrong with settings, in words; values are never repeated: one may hold a password."""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NamedTuple


class Wrong(NamedTuple):
    """One wrong setting."""

    name: str
    """The field that it is, or that is meant."""
    what: str
    """In words, beginning with the variable."""


def finding(problem: Mapping[str, Any], description: str | None) -> Wrong:
    """One wrong setting, as pydantic reports it; `description` says what it should be."""
    name = str(problem["loc"][0])
    if problem["type"] == "value_error" and (said := str(problem["ctx"]["error"])):
        return Wrong(name, f"CDS_{name.upper()}: {said}")
    return Wrong(name, f"CDS_{name.upper()}: should be {description}")


def misspelt(environment: Mapping[str, str], fields: Sequence[str]) -> Iterator[Wrong]:
    """Variables that are no setting but look like one.

    Others with the prefix are let be: an orchestrator may set, say, CDS_SERVICE_HOST.

    >>> list(misspelt({"CDS_HOTS": "x", "CDS_SERVICE_HOST": "y"}, ["host"]))
    [Wrong(name='host', what='CDS_HOTS: there is no such setting; CDS_HOST is meant?')]
    """
    names = {f"CDS_{name.upper()}": name for name in fields}
    for name in sorted(environment):
        if name.startswith("CDS_") and name not in names:
            for close in get_close_matches(name, names, n=1, cutoff=0.8):
                yield Wrong(names[close], f"{name}: there is no such setting; {close} is meant?")
