"""What diff-content says of the worked example and of the edition of 2014.

Expected from what their files declare (invented country; CB14 from memory).
"""

import pytest

from cds_service.cli import main
from cds_service.content.library import Library
from cds_service.label.differences import differences
from tests.changing import replace

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
    assert told("2014.1", "2014.1").count("  no difference") == 6
    assert "  another class: 0 of 2112" in lines


def test_the_threshold_of_fever_is_told_and_nothing_that_stays(kestria: list[str]) -> None:
    assert pair(kestria, "Clinical severe infection, any of") == (
        "Temperature at least 38 °C",
        "Temperature at least 37.5 °C",
    )
    assert kestria[kestria.index("Classes") + 4 :][:2] == ["    and  9 as before", ""]


def test_course_lengths_visits_and_numbers_are_told(kestria: list[str]) -> None:
    assert pair(kestria, "Clinical severe infection, gentamicin-seven-days, medicines") == (
        "Gentamicin for 7 days; Amoxicillin for 7 days",
        "not there",
    )
    assert pair(kestria, "Jaundice, home-care, visits") == (
        "jaundice-review day +1",
        "jaundice-review day +2",
    )
    assert pair(kestria, "repeat window") == ("10 min", "30 min")
    assert pair(kestria, "Gentamicin, cautions") == ("not there", "injections-by")


def test_doses_are_told_by_weight_for_all_ages_they_count_for(kestria: list[str]) -> None:
    at = kestria.index("  Amoxicillin, age 0, 3, 6, 7, 13, 20, 34, 59 days:")
    # 50 mg/kg of 125 mg/5 mL is 2 mL/kg; below 2 kg both give the liquid, 3 mL at 1.5 kg (derived).
    assert kestria[at + 1] == (
        "    1.75 kg: 3 mL = 75 mg of amoxicillin oral suspension, 125 mg/5 mL"
        " -> 3.5 mL = 87.5 mg of amoxicillin oral suspension, 125 mg/5 mL"
    )
    assert (
        "    3 kg: half a tablet = 125 mg of amoxicillin dispersible tablet, 250 mg"
        " -> 6 mL = 150 mg of amoxicillin oral suspension, 125 mg/5 mL"
    ) in kestria
    # Both vials are given at 10 mg/mL (section 4).
    at = kestria.index("  Gentamicin, age 0, 3, 6, 7, 13, 20, 34, 59 days:")
    assert kestria[at + 1] == (
        "    1.25 to 6.5 kg: the same amount, now of gentamicin vial, 80 mg/2 mL"
    )


def test_each_declared_change_has_its_values_reason_and_source(kestria: list[str]) -> None:
    adaptation = LIBRARY.named("sick-young-infant|2024.1+kestria").adaptation
    assert adaptation is not None
    for change in adaptation.changes:
        at = kestria.index(f"    {change.place}:")
        assert kestria[at + 1].strip() == " -> ".join(
            said or "not there" for said in (change.was, change.now)
        )
        assert kestria[at + 2].strip() == f"because: {change.reason} (KEX; practice)"


def test_the_sampled_infants_who_move_are_counted_by_class(kestria: list[str]) -> None:
    total = next(line for line in kestria if line.startswith("  another class: "))
    last = kestria[kestria.index("Sampled infants") :]
    moved = [line for line in last if " -> " in line]
    assert all(" -> Clinical severe infection: " in line for line in moved)
    assert sum(int(line.rsplit(": ")[-1]) for line in moved) == int(total.split()[2])


def test_an_order_of_the_same_parts_is_told() -> None:
    base = LIBRARY.named("sick-young-infant|2024.1")
    plan = base.plan_by_code["critical-illness"]
    turned = replace(plan, care=plan.care[::-1])
    changed = replace(base, plans=tuple(turned if one is plan else one for one in base.plans))
    was, now = pair(list(differences(base, changed)), "Critical illness, care")
    assert was.split("; ") == now.split("; ")[::-1]


def test_the_edition_of_2014_says_which_classes_go_and_which_come() -> None:
    lines = told("2024.1", "2014.1")
    assert pair(lines, "Pneumonia (fast breathing alone), all of")[1] == "not there"
    was, now = pair(lines, "Very severe disease, any of")
    assert was == "not there"
    assert "Breaths in one minute at least 60 per minute on both counts" in now or "60 /min" in now
    assert "needs hospital care" in now


def test_the_command_prints_it_and_refuses_what_there_is_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["diff-content", "2024.1", "2024.1"]) == 0
    assert "Sampled infants" in capsys.readouterr().out
    assert main(["diff-content", "2024.1", "2024.1+nowhere"]) == 1
    assert "there is no such adaptation" in capsys.readouterr().err
