"""The packaged content loads, is exact, frozen, and known by its digest."""

import dataclasses
import hashlib
from collections.abc import Iterator
from decimal import Decimal
from enum import Enum
from pathlib import Path

import pytest

from cds_service.case import Answer
from cds_service.content.catalogue import Translation
from cds_service.content.load import digest, load
from cds_service.content.model import Cite, Derived, FindingTest, Group, MeasureTest, Number
from cds_service.content.treatment import Protocol
from cds_service.content.tree import forget
from cds_service.errors import ContentError
from tests.content.broken import PACKAGED, changed, copied, findings

PROTOCOL = load()


def values(part: object) -> Iterator[object]:
    """Every value below a part of the content."""
    yield part
    if dataclasses.is_dataclass(part):
        for field in dataclasses.fields(part):
            yield from values(getattr(part, field.name))
    elif isinstance(part, tuple):
        for item in part:
            yield from values(item)


EVERY = list(values(PROTOCOL))


def test_every_value_is_exact_and_frozen() -> None:
    kinds = {type(value) for value in EVERY if not dataclasses.is_dataclass(value)}
    assert kinds - {Answer, Cite, Translation} == {str, int, bool, Decimal, tuple, type(None)}
    frozen = {type(value) for value in EVERY if dataclasses.is_dataclass(value)}
    assert all(kind.__dataclass_params__.frozen for kind in frozen)
    assert all(isinstance(kind, type) and not issubclass(kind, Enum) for kind in frozen)


def test_a_protocol_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        PROTOCOL.version = "other"  # type: ignore[misc]


def test_every_number_has_a_unit_and_every_mark_is_honest() -> None:
    numbers = [value for value in EVERY if isinstance(value, Number)]
    assert len(numbers) > 400
    assert all(number.unit for number in numbers)
    known = {source.key for source in PROTOCOL.sources}
    for cite in (value for value in EVERY if isinstance(value, Cite)):
        assert cite.evidence in ("seen", "memory", "derived", "practice")
        assert cite.sources or cite.evidence in ("derived", "practice")
        assert set(cite.sources) <= known


def test_practice_does_not_borrow_the_source_around_it() -> None:
    # gentamicin.yaml cites P20 and L18 at the top; the shortest interval is common practice.
    not_before = PROTOCOL.medicine_by_code["gentamicin"].not_before
    assert not_before.cite == Cite((), "practice")
    assert PROTOCOL.medicine_by_code["gentamicin"].target.cite == Cite(("P20", "L18"), "seen")


def test_a_source_may_be_named_for_the_evidence_around_it(tmp_path: Path) -> None:
    edit = ("protocol.yaml", "age-below: {value: 60 d, source: [W24], evidence: seen}")
    protocol = changed(tmp_path, (*edit, "age-below: {value: 60 d, source: [W15], note: read}"))
    assert protocol.age_below.cite == Cite(("W15",), "seen", "read")


def test_seen_without_a_source_of_its_own_takes_the_one_around_it(tmp_path: Path) -> None:
    edit = ("protocol.yaml", "age-below: {value: 60 d, source: [W24], evidence: seen}")
    protocol = changed(tmp_path, (*edit, "age-below: {value: 60 d, evidence: memory}"))
    assert protocol.age_below.cite == Cite(("W24", "W15"), "memory")


def test_look_ups_find_what_they_are_asked_for() -> None:
    assert PROTOCOL.row_by_code["pneumonia"].code == "pneumonia"
    amoxicillin = PROTOCOL.medicine_by_code["amoxicillin"]
    form = amoxicillin.formulation("amoxicillin-suspension-250mg-5ml")
    assert (str(form.substance), str(form.per)) == ("250 mg", "5 mL")
    with pytest.raises(KeyError):
        amoxicillin.formulation("amoxicillin-of-tomorrow")


def test_a_vial_is_measured_in_what_it_holds_once_made_up() -> None:
    # Clinical content, section 4 (ETH, seen): 80 mg/2 mL + 6 mL = 10 mg/mL.
    vial = PROTOCOL.medicine_by_code["gentamicin"].formulation("gentamicin-vial-80mg-2ml")
    assert [str(part) for part in vial.label_strength] == ["80 mg", "2 mL"]
    assert (str(vial.substance), str(vial.per)) == ("80 mg", "8 mL")
    assert vial.dilute is not None
    assert str(vial.dilute.quantity) == "6 mL"


def test_merged_keys_are_taken_over_and_may_be_replaced() -> None:
    forms = PROTOCOL.medicine_by_code["amoxicillin"].formulations
    assert [(form.form, str(form.substance)) for form in forms[3:]] == [
        ("dispersible-tablet", "125 mg"),
        ("tablet", "250 mg"),
    ]


def test_a_band_has_the_preference_of_its_medicine_unless_it_says_otherwise() -> None:
    amoxicillin = PROTOCOL.medicine_by_code["amoxicillin"]
    bands = amoxicillin.rules[0].bands
    assert bands[0].prefer[0] == "amoxicillin-suspension-125mg-5ml"
    assert bands[2].prefer == amoxicillin.prefer


def test_yes_and_no_stay_words_and_become_answers() -> None:
    well = PROTOCOL.sign_by_code["feeding-well"]
    assert [(other.code, other.answer) for other in well.implies] == [
        ("unable-to-feed", Answer.NO),
        ("feeding-poorly", Answer.NO),
    ]


ROW = ("classifications.yaml", "any: [umbilicus-red, umbilicus-pus, skin-pustules]")


def test_two_of_several_signs_can_be_asked_for(tmp_path: Path) -> None:
    group = "{at-least: 2, of: [umbilicus-red, {finding: umbilicus-pus}, {none: [skin-pustules]}]}"
    when = changed(tmp_path, (ROW[0], "\n        any: [umb", f" {group} #"))
    row = when.row_by_code["local-bacterial-infection"].when
    assert isinstance(row, Group)
    assert (row.kind, row.count, len(row.items)) == ("at-least", 2, 3)
    assert isinstance(row.items[1], FindingTest)


def test_a_count_that_must_be_repeated_says_so() -> None:
    when = PROTOCOL.row_by_code["pneumonia"].when
    assert isinstance(when, Group)
    counts = [test for test in when.items if isinstance(test, MeasureTest) and test.confirmed]
    assert [(test.op, str(test.limit.quantity)) for test in counts] == [("at-least", "60 /min")]


def test_a_derived_fact_keeps_its_order() -> None:
    fact = PROTOCOL.derived_by_code["low-birth-weight"]
    assert isinstance(fact, Derived)
    assert isinstance(fact.first_known[0], MeasureTest)
    assert fact.first_known[0].measure == "birth-weight"
    assert fact.otherwise is Answer.NO


def test_the_digest_covers_paths_and_exact_bytes(tmp_path: Path) -> None:
    assert digest({"b": b"2", "a": b"1"}) == hashlib.sha256(b"a\x001b\x002").hexdigest()
    folder = copied(tmp_path)
    assert load(folder).digest == PROTOCOL.digest
    (folder / "sick-young-infant" / "CHANGES.md").write_text("one byte more\n", encoding="utf-8")
    assert load(folder).digest != PROTOCOL.digest


def test_the_same_files_give_an_equal_protocol(tmp_path: Path) -> None:
    assert load(copied(tmp_path)) == PROTOCOL


def test_another_language_and_an_adaptation_are_left_to_their_readers(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    for path in ("translations/sw.yaml", "adaptations/marrow-vale/medicines.yaml"):
        file = folder / "sick-young-infant" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("any: thing\n", encoding="utf-8")
    assert load(folder).texts == PROTOCOL.texts


def test_a_folder_without_files_names_each_that_is_due(tmp_path: Path) -> None:
    assert [finding.split(":")[0] for finding in findings(tmp_path)] == [
        "classifications.yaml",
        "fluids.yaml",
        "growth.yaml",
        "protocol.yaml",
        "signs.yaml",
        "sources.yaml",
        "treatments.yaml",
    ]


def test_a_stray_file_is_named(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    (folder / "sick-young-infant" / "sings.yaml").write_text("a: b\n", encoding="utf-8")
    assert findings(folder) == (
        "sings.yaml:1: no such file belongs to a protocol; rename or move it",
    )


def test_the_folder_must_bear_the_name_of_the_protocol(tmp_path: Path) -> None:
    copied(tmp_path)
    (tmp_path / "sick-young-infant").rename(tmp_path / "other")
    with pytest.raises(ContentError, match=r"protocol\.yaml:1: id is sick-young-infant, but"):
        load(tmp_path, "other")


def test_the_packaged_content_is_the_default() -> None:
    assert isinstance(PROTOCOL, Protocol)
    assert (PACKAGED / "protocol.yaml").is_file()


def test_what_is_let_go_of_is_read_again() -> None:
    before = load()
    forget()
    assert load().digest == before.digest
