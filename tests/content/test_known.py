"""The known case: it is read with every fault of it, and is no part of the content's digest."""

import re
from functools import cache
from pathlib import Path

import pytest

from cds_service.content.known import known
from cds_service.content.load import every_layer, load
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError
from tests.content.broken import PACKAGED, PROTOCOL, copied

BASE = "known/2024.1.yaml"


@cache
def packaged() -> Protocol:
    return load()


def faults(folder: Path) -> tuple[str, ...]:
    with pytest.raises(ContentError) as caught:
        known(folder / PROTOCOL, packaged())
    return caught.value.findings


@pytest.mark.parametrize("layer", every_layer(PROTOCOL))
def test_each_packaged_content_has_a_known_answer_with_its_source(layer: tuple[str, str]) -> None:
    protocol = load(edition=layer[0], adaptation=layer[1])
    found = known(PACKAGED, protocol)
    assert found.file == f"known/{protocol.name.partition('|')[2]}.yaml"
    assert all(each.cite.sources for each in found.doses)
    # Measured and contained, each with its unit: a dose is never one number alone.
    form = r"[\d.]+ (mL|tablet) = [\d.]+ mg \d a day for \d+ days"
    assert all(re.fullmatch(form, each.dose) for each in found.doses)


def test_an_adaptation_without_a_file_must_give_the_answer_of_its_edition(tmp_path: Path) -> None:
    folder = copied(tmp_path) / PROTOCOL
    (folder / "known/2024.1+kestria.yaml").unlink()
    assert known(folder, load(adaptation="kestria")).file == BASE


def test_it_is_no_part_of_the_digest(tmp_path: Path) -> None:
    folder = copied(tmp_path, (BASE, "25 mg", "26 mg"))
    assert load(folder, translated=False).digest == packaged().digest


@pytest.mark.parametrize("file", [BASE, "known/infant.json"])
def test_a_missing_file_is_a_finding(tmp_path: Path, file: str) -> None:
    folder = copied(tmp_path)
    (folder / PROTOCOL / file).unlink()
    (finding,) = faults(folder)
    assert finding.startswith(f"{file}:1: the file is missing")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("  gentamicin:", "  gentamycin:", "unknown medicine gentamycin"),
        ("no-jaundice", "no-jaundize", "unknown class no-jaundize"),
        ("[COIN, P20]", "[COYN]", "unknown source COYN"),
        ("2.5 mL = 25 mg 1 a day for 7 days", "", "dose is missing"),
        ("codes: [clinical-severe-infection, no-jaundice, hiv-unlikely]", "codes: []", "are due"),
        ("classes:", "clases:", "unknown key clases"),
        ("classes:", "classes: [", "YAML"),
    ],
)
def test_a_fault_in_it_is_a_finding(tmp_path: Path, old: str, new: str, said: str) -> None:
    found = faults(copied(tmp_path, (BASE, old, new)))
    assert any(said in each for each in found), found
    assert all(each.startswith(f"{BASE}:") for each in found)
