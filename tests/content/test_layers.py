"""Layers over the base content: what a change does, and which faults of one are found.

The worked example is an invented country; its numbers are checked against its own file only.
"""

# ruff: noqa: E501 - a table: one fault, one line

from decimal import Decimal
from pathlib import Path

import pytest

from cds_service.content.library import Library
from cds_service.content.load import edition_of, editions, layers, load
from cds_service.content.model import Group, MeasureTest
from cds_service.errors import ContentError
from tests.changing import replace
from tests.content.broken import PROTOCOL, copied

KESTRIA = "adaptations/kestria/adaptation.yaml"
EDITION = "editions/2014.1/edition.yaml"
BASE, ADAPTED, OF_2014 = load(), load(adaptation="kestria"), load(edition="2014.1")


def test_the_layers_that_there_are() -> None:
    assert layers(PROTOCOL, "edition") == ("2014.1",)
    assert layers(PROTOCOL, "adaptation") == ("kestria",)
    assert edition_of(PROTOCOL, "kestria") == ""
    assert (BASE.name, ADAPTED.name, OF_2014.name) == (
        "sick-young-infant|2024.1",
        "sick-young-infant|2024.1+kestria",
        "sick-young-infant|2014.1",
    )


def test_each_has_its_own_digest_and_the_base_does_not_know_of_them(tmp_path: Path) -> None:
    assert len({BASE.digest, ADAPTED.digest, OF_2014.digest}) == 3
    folder = copied(tmp_path)
    (folder / PROTOCOL / KESTRIA).unlink()
    assert load(folder).digest == BASE.digest


def fever(protocol: object) -> MeasureTest:
    row = protocol.row_by_code["clinical-severe-infection"]  # type: ignore[attr-defined]
    assert isinstance(row.when, Group)
    (test,) = [
        one
        for one in row.when.items
        if isinstance(one, MeasureTest) and (one.measure, one.op) == ("temperature", "at-least")
    ]
    return test


def test_a_changed_limit_carries_the_source_of_the_change() -> None:
    assert (fever(BASE).limit.value, fever(ADAPTED).limit.value) == (
        Decimal("38.0"),
        Decimal("37.5"),
    )
    assert (fever(ADAPTED).cite.sources, fever(ADAPTED).cite.evidence) == (("KEX",), "practice")
    assert fever(BASE).cite.sources == ("A24", "P20")


def test_what_the_example_changes() -> None:
    regimen = {one.code: one for one in ADAPTED.plan_by_code["clinical-severe-infection"].regimens}[
        "gentamicin-two-days"
    ]
    assert regimen is ADAPTED.plan_by_code["clinical-severe-infection"].regimens[-1]
    said = [caution.code for caution in regimen.cautions]
    assert said == ["amoxicillin-alone-is-not-adequate", "day-four-review-is-mandatory"]
    assert regimen.cite.sources == ("KEX",)
    days = [course.days.value for course in regimen.courses if course.days is not None]
    assert days == [2, 7]
    assert dict(ADAPTED.values)["repeat_window"].value == 30
    review = ADAPTED.plan_by_code["jaundice"].regimens[0].visits[0]
    assert (review.code, review.after.value) == ("jaundice-review", 2)
    amoxicillin = ADAPTED.medicine_by_code["amoxicillin"]
    assert [rule.code for rule in amoxicillin.rules] == ["per-kg"]
    assert {form.form for form in amoxicillin.formulations} == {"suspension"}
    for code in ("gentamicin", "ampicillin", "benzylpenicillin", "ceftriaxone"):
        cautions = {one.code for one in ADAPTED.medicine_by_code[code].cautions}
        assert "injections-by" in cautions
    assert {one.language for one in ADAPTED.catalogues} <= {"fr", "sw"}


def test_the_edition_of_2014_has_one_severe_class() -> None:
    # CB14, from memory: very severe disease; fever 37.5; fast breathing severe at every age.
    rows = OF_2014.table_by_code["bacterial-infection"].rows
    assert [row.code for row in rows] == ["very-severe-disease", "infection-unlikely"]
    assert "pneumonia" not in OF_2014.plan_by_code
    assert OF_2014.plan_by_code["very-severe-disease"].referral == "only"


FAULTS = {
    "no such file": (KESTRIA, "file: protocol.yaml", "file: protocols.yaml", "there is no file protocols.yaml"),
    "no such place": (KESTRIA, "at: values/repeat_window", "at: values/repeat", "repeat is not there; add it"),
    "no such step": (KESTRIA, "at: values/repeat_window", "at: numbers/repeat_window", "there is no numbers here"),
    "below a value": (KESTRIA, "at: values/repeat_window", "at: version/repeat_window", "there is nothing below"),
    "no such item": (KESTRIA, "regimens/gentamicin-two-days", "regimens/gentamycin-two-days", "0 items are named gentamycin-two-days"),
    "several items": (KESTRIA, "any/temperature:at-least/at-least", "any/temperature/at-least", "2 items are named temperature"),
    "nothing changed": (KESTRIA, "set: 30 min", "set: 10 min", "this is what is there already"),
    "one place twice": (KESTRIA, "at: values/repeat_window\n", "at: values/repeat_window\n    set: 20 min\n    reason: x\n    source: [KEX]\n    evidence: practice\n  - file: protocol.yaml\n    at: values/repeat_window\n", "this place is changed already"),
    "a place inside another": (KESTRIA, "at: rules\n", "at: rules\n    set: []\n    reason: x\n    source: [KEX]\n    evidence: practice\n  - file: medicines/amoxicillin.yaml\n    at: rules/by-band/code\n", "this place is changed already"),
    "no source": (KESTRIA, "window\n    source: [KEX]", "window\n    source: []", "a change needs a source"),
    "no reason": (KESTRIA, "    reason: reviewed with the visit of the community nurse\n", "", "reason is missing"),
    "no evidence": (KESTRIA, "    at: values/repeat_window\n    set: 30 min\n    reason: the national immunization and treatment handbooks use one window\n    source: [KEX]\n    evidence: practice\n", "    at: values/repeat_window\n    set: 30 min\n    reason: x\n    source: [KEX]\n", "evidence is missing"),
    "unknown source": (KESTRIA, "    set: 30 min\n    reason: the national immunization and treatment handbooks use one window\n    source: [KEX]", "    set: 30 min\n    reason: x\n    source: [KEY]", "unknown source KEY"),
    "two ways": (KESTRIA, "set: 30 min", "set: 30 min\n    remove: true", "one of: set, add, remove"),
    "a source that is there": (KESTRIA, "  KEX:\n", "  W24:\n    title: x\n    publisher: x\n  KEX:\n", "W24 is there already"),
    "a text that is there": (KESTRIA, "texts:\n", "texts:\n  class.pneumonia: Pneumonia\n", "class.pneumonia is there already"),
    "added to a number": (KESTRIA, "    set: 30 min", "    add: 30 min", "add puts an item into a list"),
    "removed twice": (EDITION, "at: plans/pneumonia, remove", "at: plans/pneumonias, remove", "pneumonias is not there"),
    "another id": (KESTRIA, "id: kestria", "id: kestra", "the id is kestra, but the folder is kestria"),
    "another edition": (KESTRIA, 'edition: "2024.1"', 'edition: "2023.1"', "it adapts edition 2023.1; this is edition 2024.1"),
    "a number out of its unit": (KESTRIA, "set: 37.5 Cel", "set: 37.5 kg", "it must be Cel here"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_a_fault_of_a_layer_is_found_in_its_file(
    fault: tuple[str, str, str, str], tmp_path: Path
) -> None:
    file, old, new, says = fault
    folder = copied(tmp_path, (file, old, new))
    edition = "2014.1" if file == EDITION else ""
    with pytest.raises(ContentError) as raised:
        load(folder, edition=edition, adaptation="" if edition else "kestria")
    assert any(one.startswith(f"{file}:") and says in one for one in raised.value.findings), (
        raised.value.findings
    )
    load(folder)  # the base is not touched by it


def test_a_layer_that_is_not_there_is_refused() -> None:
    with pytest.raises(ContentError, match="there is no such adaptation; there is: kestria"):
        load(adaptation="nowhere")


def test_keys_are_added_to_a_mapping_and_lists_begun(tmp_path: Path) -> None:
    added = (KESTRIA, "changes:\n", "changes:\n  - {file: protocol.yaml, at: values, add: {cup: 30 mL}, reason: x, source: [KEX], evidence: practice}\n")  # fmt: skip
    changed = load(copied(tmp_path, added), adaptation="kestria")
    assert dict(changed.values)["cup"].cite.sources == ("KEX",)
    assert dict(changed.values)["teaspoon"].cite.sources == ()


def test_several_items_are_added_to_one_list(tmp_path: Path) -> None:
    caution = "{file: treatments.yaml, at: cautions, add: {code: CODE, severity: low}, reason: x, source: [KEX], evidence: practice}"
    texts = "texts:\n  caution.one: One.\n  caution.two: Two.\n"
    two = "".join(f"  - {caution.replace('CODE', code)}\n" for code in ("one", "two"))
    folder = copied(
        tmp_path, (KESTRIA, "texts:\n", texts), (KESTRIA, "changes:\n", f"changes:\n{two}")
    )
    codes = [one.code for one in load(folder, adaptation="kestria").cautions]
    assert codes[-3:] == ["one", "two", "weigh-at-every-visit"]


PO = """msgid ""
msgstr ""
"Language: fr\\n"

msgctxt "care.{key}"
msgid "{english}"
msgstr "{french}"
"""


def test_a_layer_brings_its_own_translations(tmp_path: Path) -> None:
    english = BASE.text_by_key["care.keep-warm-at-home"]
    change = (
        "  - {file: translations/en.yaml, at: care.keep-warm-at-home, set: Keep the baby warm and dry.,"
        " reason: x, source: [KEX], evidence: practice}\n"
    )
    folder = copied(tmp_path, (KESTRIA, "changes:\n", f"changes:\n{change}"))
    assert "care.keep-warm-at-home" in BASE.words_by_language["fr"]
    assert (
        "care.keep-warm-at-home" not in load(folder, adaptation="kestria").words_by_language["fr"]
    )

    own = folder / PROTOCOL / "adaptations/kestria/translations/fr.po"
    own.parent.mkdir()
    words = {"key": "keep-warm-at-home", "french": "Garder le bébé au chaud et au sec."}
    own.write_text(PO.format(english="Keep the baby warm and dry.", **words))
    adapted = load(folder, adaptation="kestria")
    assert (
        adapted.words_by_language["fr"]["care.keep-warm-at-home"]
        == "Garder le bébé au chaud et au sec."
    )
    assert len(adapted.words_by_language["fr"]) == len(BASE.words_by_language["fr"])
    assert adapted.languages == ("en", "fr", "sw")
    assert english not in own.read_text()
    assert load(folder).digest == BASE.digest


def test_a_draft_of_a_layer_makes_a_draft_of_a_reviewed_language() -> None:
    (french,) = [each for each in BASE.catalogues if each.language == "fr"]
    reviewed = replace(french, reviewed_by="Orla Fenn, Mvumo")
    for both in ((reviewed, french), (french, reviewed)):
        mixed = replace(BASE, catalogues=both)
        assert mixed.catalogue_by_language["fr"].reviewed_by == ""
    alone = replace(BASE, catalogues=(reviewed, reviewed))
    assert alone.catalogue_by_language["fr"].reviewed_by == "Orla Fenn, Mvumo"


def test_a_text_that_a_layer_takes_away_needs_no_other_catalogue(tmp_path: Path) -> None:
    told = "translations/caregiver.yaml"
    change = (
        f"  - {{file: {told}, at: texts/visit.*, remove: true,"
        " reason: x, source: [KEX], evidence: practice}\n"
    )
    adapted = load(
        copied(tmp_path, (KESTRIA, "changes:\n", f"changes:\n{change}")), adaptation="kestria"
    )
    assert not [key for key in adapted.words_by_language["fr"] if key.startswith("visit.")]


def test_a_language_without_texts_and_a_file_that_is_not_read_are_found(tmp_path: Path) -> None:
    folder = copied(tmp_path, (KESTRIA, "languages: [fr, sw]", "languages: [en, fr, yo]"))
    with pytest.raises(ContentError) as raised:
        load(folder, adaptation="kestria")
    assert raised.value.findings == (
        f"{KESTRIA}:1: there are no texts in yo; add translations/yo.po",
    )
    stray = folder / PROTOCOL / "adaptations/kestria/fluids.yaml"
    stray.write_text("plan-a: {}")
    with pytest.raises(ContentError, match="no such file belongs to a protocol"):
        load(folder, adaptation="kestria")
    load(folder)


def test_a_list_is_begun_where_there_is_none(tmp_path: Path) -> None:
    assert BASE.medicine_by_code["cotrimoxazole"].cautions == ()
    begun = "  - {file: medicines/cotrimoxazole.yaml, at: cautions, add: {code: one, severity: low}, reason: x, source: [KEX], evidence: practice}\n"
    folder = copied(
        tmp_path,
        (KESTRIA, "texts:\n", "texts:\n  caution.one: One.\n"),
        (KESTRIA, "changes:\n", f"changes:\n{begun}"),
    )
    (caution,) = load(folder, adaptation="kestria").medicine_by_code["cotrimoxazole"].cautions
    assert (caution.code, caution.cite.sources) == ("one", ("KEX",))


def test_the_edition_of_the_base_may_be_named() -> None:
    assert editions(PROTOCOL) == ("2024.1", "2014.1")
    assert load(edition="2024.1").digest == BASE.digest


def test_a_change_says_what_was_there_and_what_is() -> None:
    assert ADAPTED.adaptation is not None
    told = {change.place: (change.was, change.now) for change in ADAPTED.adaptation.changes}
    assert told["protocol.yaml: values/repeat_window"] == ("10 min", "30 min")
    assert told["medicines/amoxicillin.yaml: rules"] == ("by-band", "per-kg")
    assert told["medicines/gentamicin.yaml: cautions"] == ("", "injections-by")
    gone = told["medicines/gentamicin.yaml: formulations/gentamicin-vial-20mg-2ml"]
    assert gone == ("gentamicin-vial-20mg-2ml", "")
    assert OF_2014.edition is not None
    plan = {change.place: change.was for change in OF_2014.edition.changes}
    assert plan["treatments.yaml: plans/pneumonia"] == "(referral, care, regimens)"


def test_the_doses_of_the_example_are_fifty_milligrams_per_kilogram() -> None:
    # Section 4: variant per kilogram, exact, rounded to 0.5 mL; from 6 kg with a caution.
    bands = ADAPTED.medicine_by_code["amoxicillin"].rules[0].bands
    assert [(band.low.value, band.caution) for band in bands] == [
        (Decimal("1.5"), ""),
        (Decimal("6.0"), "weight-above-the-bands"),
    ]
    assert all(band.per_kg is not None and band.per_kg.target.value == 50 for band in bands)


def test_a_library_finds_what_decided_then_and_refuses_what_has_changed() -> None:
    library = Library()
    assert library.named(ADAPTED.name).digest == ADAPTED.digest
    assert library.recorded(OF_2014.name, OF_2014.digest) is library.named(OF_2014.name)
    with pytest.raises(ContentError, match="has changed since"):
        library.recorded(BASE.name, OF_2014.digest)


@pytest.mark.parametrize("name", ["nonsense", "", "nonsense|2024.1+kestria"])
def test_a_protocol_that_there_is_not_is_told_in_words(name: str) -> None:
    with pytest.raises(ContentError, match="no such protocol; there is: sick-young-infant"):
        Library().named(name)
