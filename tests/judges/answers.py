"""Every answer to the clinical case files: the Bundle of $apply, and what CDS Hooks suggest."""

import json
import zlib
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import orjson

from cds_service.content.library import Library
from cds_service.engine import decide
from cds_service.fhir.cards import Deck
from cds_service.fhir.plan_cards import plan_cards
from cds_service.fhir.write import write
from cds_service.fhir.write_json import exactly
from tests.engine.cases import FOLDER, every_case

Json = dict[str, Any]
BASE = "http://cds-service.example/fhir"
EDITIONS = ("", "2014.1", "2024.1+kestria")
"""The folders of the cases; "" is the base."""


def answers(one_in: int = 1) -> dict[str, Json]:
    """One in so many of the answers, by name; always the same ones, also when cases are added.

    A resource that an earlier card suggests in the same words is not told again.
    """
    library, found, told_before = Library(), {}, set[bytes]()
    for edition in EDITIONS:
        protocol = library.named(f"sick-young-infant|{edition}" if edition else "sick-young-infant")
        for told in every_case(FOLDER / edition):
            name = f"cases/{edition or 'base'}/{told.name}"
            if zlib.crc32(name.encode()) % one_in:
                continue
            decision = decide(told.case, protocol)
            text = write(decision, base=BASE, language="")
            found[f"{name}/response.json"] = json.loads(text, parse_float=Decimal)
            deck = Deck(decision, base=BASE, language="en", answer=decision.id)
            plan_cards(deck, (), inside=True)
            for number, resource in enumerate(_suggested(deck.cards)):
                same = orjson.dumps(exactly(resource | {"id": ""}), option=orjson.OPT_SORT_KEYS)
                if same not in told_before:
                    told_before.add(same)
                    found[f"{name}/suggested/{number}"] = resource
    return found


def _suggested(cards: list[Json]) -> Iterator[Json]:
    for card in cards:
        for suggestion in card.get("suggestions", ()):
            for action in suggestion["actions"]:
                if "resource" in action:
                    yield action["resource"]
