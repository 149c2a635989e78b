"""GuidanceResponses in the log: their addresses, entries made beside the first, what is read."""

import asyncio
from typing import Any

from cds_service.audit.sqlite import SqliteStore
from tests.changing import replace
from tests.logs import entry_at

from .sample import PATH

GUIDANCE = "/fhir/GuidanceResponse"
NOTE = PATH.replace("$apply", "$referral-note")
OTHER = "00000000-0000-5000-8000-000000000000"


def values(parameters: dict[str, Any], name: str) -> list[Any]:
    """The values, or the parts, of the parameters of that name."""
    return [
        next(value for key, value in each.items() if key != "name")
        for each in parameters["parameter"]
        if each["name"] == name
    ]


def changed(store: SqliteStore, **changes: Any) -> None:
    """One more entry like the first, but for these changes."""
    asyncio.run(store.append(replace(entry_at(store, 0), **changes)))
