"""The part `courses` of treatments.yaml."""

import re
from pathlib import Path

import pytest

from cds_service.content.load import load
from tests.content.broken import PACKAGED, changed, copied


def whole() -> str:
    text = (PACKAGED / "treatments.yaml").read_text(encoding="utf-8")
    (found,) = re.findall(r"^courses:\n(?:[ #].*\n)+", text, re.MULTILINE)
    return str(found)


def test_limits_are_those_of_the_text() -> None:
    # Section 3: two or more oral doses in a row, or one gentamicin injection (practice).
    limits = {
        code: each.missed.value for each in load().courses.see_today for code in each.medicines
    }
    assert limits["amoxicillin"] == 2
    assert limits["gentamicin"] == 1


def test_a_protocol_may_say_nothing_of_them(tmp_path: Path) -> None:
    made = changed(tmp_path, ("treatments.yaml", whole(), ""))
    assert (made.courses.see_today, made.courses.hold_when) == ((), None)


@pytest.mark.parametrize(
    ("old", "new"), [("{dose}", "{tbl}"), ("2 {dose}", "1.5 {dose}"), ("amoxicillin", "amoxcilin")]
)
def test_a_fault_is_found(tmp_path: Path, old: str, new: str) -> None:
    section = whole()
    assert old in section
    edit = ("treatments.yaml", section, section.replace(old, new, 1))
    with pytest.raises(Exception, match=r"treatments\.yaml"):
        load(copied(tmp_path, edit))
