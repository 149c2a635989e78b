"""The calls of CDS Hooks in examples/hooks-*/ and the cards that answer them."""

from pathlib import Path

import httpx

from cds_service import __version__
from cds_service.content.load import load
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.examples import BASE, FOLDER
from tests.logs import open_log

CALLS = {
    "hooks-plan": "sick-young-infant-plan",
    "hooks-dose-too-high": "medicine-dose-check",
    "hooks-order-selected": "medicine-dose-check-select",
}
"""The folders, and the service that each call is for."""


def path(name: str) -> str:
    """Where a call is posted to."""
    return f"/cds-services/{CALLS[name]}"


def call(name: str) -> bytes:
    return (FOLDER / name / "call.json").read_bytes()


def stored(name: str) -> str:
    return (FOLDER / name / "cards.json").read_text(encoding="utf-8")


def readme(name: str) -> str:
    return (FOLDER / name / "README.md").read_text(encoding="utf-8")


async def cards(log: Path) -> dict[str, httpx.Response]:
    """The answer of the real application to each call; `log` is its SQLite file."""
    service = Service(load(), open_log(log), base=BASE, code_version=__version__)
    transport = httpx.ASGITransport(app=make_app(service))
    headers = {"content-type": "application/json"}
    try:
        async with httpx.AsyncClient(transport=transport, base_url="http://here.example") as client:
            return {
                name: await client.post(path(name), content=call(name), headers=headers)
                for name in CALLS
            }
    finally:
        await service.store.close()
