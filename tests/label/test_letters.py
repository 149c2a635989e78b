"""Names and texts that can be printed, and those that are refused with their code points."""

import json
from pathlib import Path

import pytest

from cds_service.content.bidi import LRI, PDI
from cds_service.content.template import literal
from cds_service.errors import UnusableRequest
from cds_service.label.compose import Whom
from cds_service.label.letters import known, name_to_print
from cds_service.label.typeset import FONTS

from .labels import pdf, protocol, words

NAMES = [
    "Wren Alder",
    "Ọláyínká Ẹ̀ṣọ́",
    "Nguyễn Thị Ánh",
    "O'Brien-Łukasz Ñandú",
    "अनन्या शर्मा",
    "ক্ষুদিরাম বিশ্বাস",
    "فاطمة الزهراء",
    "አበበች ገብረማርያም",
    '#let x = 1 $ *bold* _it_ @ref <label> \\ [ ] "q" // c',
    "{{name}} %s ${HOME} ../../etc",
]


@pytest.mark.parametrize("name", NAMES)
def test_names_are_printed_as_they_are(name: str) -> None:
    assert name_to_print(name)
    assert pdf("07", Whom(name)).startswith(b"%PDF-")


@pytest.mark.parametrize("name", [each for each in NAMES if each.isascii()])
def test_a_name_is_never_read_as_markup(name: str) -> None:
    assert "".join(name.split()) in "".join(words(pdf("07", Whom(name))).split())


def test_blanks_and_line_breaks_become_one_blank() -> None:
    assert name_to_print(" Wren\n\t Alder ") == "Wren Alder"


@pytest.mark.parametrize(
    ("name", "point"),
    [
        ("Wren \U0001f600", "U+1F600"),
        ("Wren\u202eAlder", "U+202E"),
        ("Wren\u2067Alder", "U+2067"),
        ("Wren\x00", "U+0000"),
        ("Wren\x1b[31m", "U+001B"),
        ("李明", "U+660E, U+674E"),
        ("Wren\ue000", "U+E000"),
        ("a" + "\u0301" * 6, "U+0301"),
    ],
)
def test_what_cannot_be_printed_is_refused_by_its_code_point(name: str, point: str) -> None:
    with pytest.raises(UnusableRequest) as refused:
        name_to_print(name)
    (problem,) = refused.value.problems
    assert point in problem.what
    assert "name=blank" in problem.remedy
    assert "Wren" not in problem.what


def test_a_name_that_is_too_long_is_not_printed_in_part() -> None:
    assert pdf("07", Whom("Wren Alder " * 7)).startswith(b"%PDF-")
    with pytest.raises(UnusableRequest, match="longer than 80"):
        pdf("07", Whom("Wren Alder " * 8))


def test_the_fonts_have_every_character_of_every_text() -> None:
    texts = [text for _, text in protocol().texts]
    texts += [each.text for one in protocol().catalogues for each in one.translations]
    used = {letter for text in texts for letter in literal(text)}
    given = {letter for medicine in protocol().medicines for letter in medicine.code}

    assert {each for each in used | given if ord(each) not in known()} - {LRI, PDI} == set()


@pytest.mark.parametrize(
    ("script", "low", "high"),
    [
        ("Latin-1", 0xA0, 0xFF),
        ("Latin Extended-A", 0x100, 0x17F),
        ("Devanagari", 0x904, 0x939),
        ("Arabic", 0x620, 0x64A),
        ("Ethiopic", 0x1200, 0x1248),
    ],
)
def test_the_fonts_have_the_letters_of_names(script: str, low: int, high: int) -> None:
    assert all(code in known() for code in range(low, high + 1))


def test_the_fonts_are_those_that_their_list_describes_and_come_with_their_licence() -> None:
    from fontTools.ttLib import TTFont

    listed = json.loads((FONTS / "coverage.json").read_text("ascii"))
    for family, ranges in listed.items():
        codes = {code for low, high in ranges for code in range(low, high + 1)}
        for weight in ("Regular", "Bold"):
            assert codes <= set(TTFont(FONTS / f"{family}-{weight}.ttf").getBestCmap())
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONTS / "OFL.txt").read_text("utf-8")
    assert sum(path.stat().st_size for path in Path(FONTS).iterdir()) < 3_000_000
