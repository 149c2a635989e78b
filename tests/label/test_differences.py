"""What diff-content says of the worked example and of the edition of 2014.

Expected from what their files declare (invented country; CB14 from memory).
"""

import pytest

from cds_service.cli import main
from cds_service.content.library import Library
from cds_service.label.differences import differences

LIBRARY = Library()


def told(old: str, new: str) -> list[str]:
    names = (f"sick-young-infant|{name}" for name in (old, new))
    return list(differences(*(LIBRARY.named(name) for name in names)))


def pair(lines: list[str], name: str) -> tuple[str, str]:
    """What a thing was and is, by its name."""
    at = lines.index(f"  {name}:")
    was, now = lines[at + 1], lines[at + 2]
    assert was.startswith("    was  ")
    assert now.startswith("    is   ")
    return was[9:], now[9:]


@pytest.fixture(scope="module")
def kestria() -> list[str]:
    return told("2024.1", "2024.1+kestria")


def test_nothing_changes_from_a_content_to_itself() -> None:
    lines = told("2024.1", "2024.1")
    assert [line for line in lines if line and not line.startswith("  ")] == [
        "From sick-young-infant|2024.1 to sick-young-infant|2024.1",
        "Declared",
        "Classes",
        "Treatment and visits",
        "Doses (first choice in stock)",
        "Numbers",
        "Words",
        "Sampled infants",
    ]
    assert lines.count("  no difference") == 6
    assert "  another class: 0 of 2112" in lines


def test_the_threshold_of_fever_is_told_for_whom_it_counts(kestria: list[str]) -> None:
    was, now = pair(kestria, "Clinical severe infection")
    assert "Temperature at least 38 °C" in was
    assert "Temperature at least 37.5 °C" in now


def test_course_lengths_visits_and_numbers_are_told(kestria: list[str]) -> None:
    assert pair(kestria, "Clinical severe infection, gentamicin-seven-days, medicines") == (
        "Gentamicin for 7 days; Amoxicillin for 7 days",
        "Gentamicin for 2 days; Amoxicillin for 7 days",
    )
    assert pair(kestria, "Jaundice, home-care, visits") == (
        "jaundice-review day +1",
        "jaundice-review day +2",
    )
    assert pair(kestria, "repeat window") == ("10 min", "30 min")


def test_doses_are_told_by_weight_for_all_ages_they_count_for(kestria: list[str]) -> None:
    was, now = pair(kestria, "Amoxicillin, age 0, 3, 6, 7, 13, 20, 34, 59 days")
    assert "4-6 kg 1 tablet of amoxicillin dispersible tablet, 250 mg" not in now
    assert "half a tablet of amoxicillin dispersible tablet, 250 mg" in was
    # 50 mg/kg of 125 mg/5 mL is 2 mL/kg (derived).
    assert "3 kg 6 mL of amoxicillin oral suspension, 125 mg/5 mL" in now


def test_each_declared_change_has_its_reason_and_source(kestria: list[str]) -> None:
    adaptation = LIBRARY.named("sick-young-infant|2024.1+kestria").adaptation
    assert adaptation is not None
    for change in adaptation.changes:
        assert f"    {change.place}: {change.reason} (KEX; practice)" in kestria


def test_the_edition_of_2014_says_which_classes_go_and_which_come() -> None:
    lines = told("2024.1", "2014.1")
    assert pair(lines, "Pneumonia (fast breathing alone)")[1] == "not there"
    was, now = pair(lines, "Very severe disease")
    assert was == "not there"
    assert "Breaths in one minute at least 60 per minute on both counts" in now or "60 /min" in now
    assert "[needs hospital care]" in now


def test_the_command_prints_it_and_refuses_what_there_is_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["diff-content", "2024.1", "2024.1"]) == 0
    assert "Sampled infants" in capsys.readouterr().out
    assert main(["diff-content", "2024.1", "2024.1+nowhere"]) == 1
    assert "there is no such adaptation" in capsys.readouterr().err
