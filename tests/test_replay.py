"""Replay uses the edition and adaptation that an entry was recorded with (design, decision 9)."""

import asyncio
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from cds_service.audit.sqlite import SqliteStore
from cds_service.content.library import Library
from cds_service.errors import ContentError
from cds_service.service import Service, replay
from tests.changing import replace
from tests.logs import entry_at, open_log

BASE = "http://cds-service.example/fhir"
EXAMPLES = sorted(Path("examples").glob("*/request.json"))
NAMES = ("2024.1", "2014.1", "2024.1+kestria")


def test_editions_and_adaptations_in_one_log_replay_byte_for_byte(tmp_path: Path) -> None:
    library = Library()
    store = open_log(tmp_path / "log.db")
    answers = asyncio.run(_recorded(library, store))
    for index, name in enumerate(answers):
        entry = entry_at(store, index)
        assert entry is not None
        assert entry.protocol == f"sick-young-infant|{name}"
        assert replay(entry, library, base=BASE) == entry.response
    asyncio.run(store.close())


async def _recorded(library: Library, store: SqliteStore) -> list[str]:
    """Every example asked of every content; the names of the contents in the order of the log."""
    names = []
    for name in NAMES:
        protocol = library.named(f"sick-young-infant|{name}")
        service = Service(protocol, store, base=BASE, code_version="test")
        for example in EXAMPLES:
            await service.recommend(example.read_bytes())
            names.append(name)
    return names


def test_the_contents_do_answer_differently() -> None:
    # A temperature of 37.6: no sign in the base (38.0: A24, P20 seen), one in the others.
    library = Library()
    body = json.loads(Path("examples/06-infection-unlikely/request.json").read_text())
    for parameter in body["parameter"]:
        for entry in parameter.get("resource", {}).get("entry", ()):
            coding = entry["resource"].get("code", {}).get("coding", [{}])[0]
            if coding.get("code") in ("8328-7", "8310-5"):
                entry["resource"]["valueQuantity"]["value"] = 37.6
    now = datetime(2026, 5, 1, tzinfo=UTC)
    classes = {}
    for name in NAMES:
        protocol = library.named(f"sick-young-infant|{name}")
        service = Service(protocol, None, base=BASE, code_version="test")  # type: ignore[arg-type]
        decision = service.decide(json.dumps(body).encode(), now=now)[1]
        classes[name] = decision.assessment.classes[0].code
    assert classes == {
        "2024.1": "infection-unlikely",
        "2014.1": "very-severe-disease",
        "2024.1+kestria": "clinical-severe-infection",
    }


def test_a_content_that_has_changed_since_is_refused(tmp_path: Path) -> None:
    library = Library()
    store = open_log(tmp_path / "log.db")
    service = Service(
        library.named("sick-young-infant|2024.1"), store, base=BASE, code_version="test"
    )
    entry = service.entry(EXAMPLES[0].read_bytes())[0]
    with pytest.raises(ContentError, match="has changed since"):
        replay(replace(entry, content_digest="0" * 64), library, base=BASE)
    asyncio.run(store.close())
