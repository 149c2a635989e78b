"""Which languages run from right to left, as the CLDR has it (Babel's copy, every locale in it)."""

from babel import Locale, localedata

from cds_service.content.bidi import language_runs_left


def test_each_language_runs_as_the_cldr_says() -> None:
    known = localedata.locale_identifiers()
    assert len(known) > 1000
    wrong = [
        name
        for name in known
        if language_runs_left(name.replace("_", "-"))
        != (Locale.parse(name).text_direction == "rtl")
    ]
    assert not wrong
