"""The limits that the content declares, against the clinical text and its sources.

A limit stops a dose or asks for a senior; where it is wrong no ordinary dose shows it. `practice`
and `derived` are the text's own marks for a number without a publication.
"""

from decimal import Decimal

import pytest

from cds_service.content.load import load
from cds_service.content.medicine import Medicine
from cds_service.content.model import Number

PROTOCOL = load()

# Medicine, what is limited, the number, and where it stands.
LIMITS = (
    ("amoxicillin", "target", "50 mg/kg", "P20, L18 seen"),
    ("amoxicillin", "times_a_day", "2 /d", "W24, P20 seen"),
    ("amoxicillin", "interval", "12 h", "twice daily"),
    ("amoxicillin", "ceiling", "400 mg", "section 4, derived"),
    ("amoxicillin", "hard_max", "85 mg/kg", "section 4"),
    ("gentamicin", "target", "7.5 mg/kg", "COIN seen; P20, L18 5-7.5 mg/kg seen"),
    ("gentamicin", "times_a_day", "1 /d", "W24, P20 seen"),
    ("gentamicin", "interval", "24 h", "section 3: the next is due 24 h later"),
    ("gentamicin", "not_before", "20 h", "section 3: never under 20 h"),
    ("gentamicin", "ceiling", "60 mg", "section 4, derived"),
    ("gentamicin", "split_above", "2 mL", "section 4, practice"),
    ("gentamicin", "senior_above", "4 mL", "section 4, practice"),
    ("ampicillin", "target", "50 mg/kg", "P20 seen"),
    ("ampicillin", "times_a_day", "2 /d", "W24 seen"),
    ("ampicillin", "interval", "12 h", "twice daily"),
    ("ampicillin", "split_above", "2 mL", "section 4, practice"),
    ("ampicillin", "senior_above", "4 mL", "section 4, practice"),
    ("benzylpenicillin", "target", "50000 [iU]/kg", "P20 seen"),
    ("benzylpenicillin", "times_a_day", "2 /d", "W15 memory"),
    ("benzylpenicillin", "interval", "12 h", "twice daily"),
    ("benzylpenicillin", "split_above", "2 mL", "section 4, practice"),
    ("benzylpenicillin", "senior_above", "4 mL", "section 4, practice"),
    ("ceftriaxone", "target", "50 mg/kg", "COIN seen"),
    ("ceftriaxone", "times_a_day", "1 /d", "COIN seen"),
    ("ceftriaxone", "interval", "24 h", "once daily"),
    ("ceftriaxone", "split_above", "2 mL", "section 4, practice"),
    ("ceftriaxone", "senior_above", "4 mL", "section 4, practice"),
    ("nystatin", "times_a_day", "4 /d", "section 3: four times a day, memory"),
    ("nystatin", "interval", "6 h", "four times a day"),
    ("nevirapine", "times_a_day", "1 /d", "section 4: once daily, memory"),
    ("nevirapine", "interval", "24 h", "once daily"),
    ("zidovudine", "times_a_day", "2 /d", "section 4: twice daily, memory"),
    ("zidovudine", "interval", "12 h", "twice daily"),
    ("cotrimoxazole", "times_a_day", "1 /d", "section 4: once daily, memory"),
    ("cotrimoxazole", "interval", "24 h", "once daily"),
)


@pytest.mark.parametrize(("code", "what", "expected", "source"), LIMITS)
def test_a_limit_is_that_of_the_text(code: str, what: str, expected: str, source: str) -> None:
    declared: Number = getattr(PROTOCOL.medicine_by_code[code], what)
    assert f"{declared.value:f} {declared.unit}" == expected, source


# The mg/kg per dose that a rule may give, before rounding (section 4: COIN seen, W15 memory), and
# the upper limit that holds after rounding too.
GENTAMICIN_RANGES = (
    ("under-1500g", "3", "4", "4"),
    ("low-birth-weight", "3", "4", "4"),
    ("under-7-days", "5", "5.5", "5.5"),
    ("7-days-and-over", "5", "7.5", "7.5"),
)


@pytest.mark.parametrize(("code", "low", "high", "rounded"), GENTAMICIN_RANGES)
def test_each_rule_of_gentamicin_declares_the_range_of_the_text(
    code: str, low: str, high: str, rounded: str
) -> None:
    (rule,) = (rule for rule in medicine("gentamicin").rules if rule.code == code)
    assert rule.per_kg is not None
    limits = (rule.per_kg.low, rule.per_kg.high, rule.per_kg.rounded_high)
    assert [limit.value for limit in limits] == [Decimal(one) for one in (low, high, rounded)]


@pytest.mark.parametrize("code", ["ampicillin", "benzylpenicillin", "ceftriaxone"])
def test_an_injection_per_kilogram_has_no_other_target_than_the_published(code: str) -> None:
    """P20 Table 1, COIN (seen): one figure, not a range."""
    for rule in medicine(code).rules:
        assert rule.per_kg is not None
        published = medicine(code).target.value
        limits = (rule.per_kg.target, rule.per_kg.low, rule.per_kg.high)
        assert [limit.value for limit in limits] == [published] * 3


def test_each_cell_declares_no_more_than_it_gives_at_the_edges_of_its_band() -> None:
    """Arithmetic: what is given by the lightest and by the heaviest infant of the band."""
    amoxicillin = medicine("amoxicillin")
    for band in (band for rule in amoxicillin.rules for band in rule.bands):
        for cell in band.cells:
            assert band.high is not None
            form = amoxicillin.formulation(cell.formulation)
            given = form.contained(cell.amount.quantity).value
            most, least = given / band.low.value, given / band.high.value
            assert most <= cell.high.value < most + Decimal("0.1"), cell
            assert least - Decimal("0.1") < cell.low.value <= least, cell


# What is printed on the pack (section 4).
LABELS = {
    "125 mg/5 mL",
    "250 mg/5 mL",
    "250 mg",
    "500 mg",
    "1000000 IU",
    "1000 mg",
    "20 mg/2 mL",
    "80 mg/2 mL",
}
# Product, substance in volume as it is measured out, what one pack holds, how long it keeps once
# made up (section 4; section 6: 7 days unless the label says otherwise).
PRODUCTS = (
    ("amoxicillin", "amoxicillin-suspension-125mg-5ml", "125 mg", "5 mL", "100 mL", "7 d"),
    ("amoxicillin", "amoxicillin-suspension-250mg-5ml", "250 mg", "5 mL", "100 mL", "7 d"),
    ("ampicillin", "ampicillin-vial-250mg", "250 mg", "1.5 mL", "1.5 mL", "1 h"),
    ("ampicillin", "ampicillin-vial-500mg", "500 mg", "2.5 mL", "2.5 mL", "1 h"),
    ("benzylpenicillin", "benzylpenicillin-vial-1million-iu", "500000 [iU]", "1 mL", "2 mL", ""),
    ("ceftriaxone", "ceftriaxone-vial-1g", "100 mg", "1 mL", "10 mL", ""),
    ("gentamicin", "gentamicin-vial-20mg-2ml", "20 mg", "2 mL", "2 mL", ""),
    ("gentamicin", "gentamicin-vial-80mg-2ml", "80 mg", "8 mL", "8 mL", ""),
)


@pytest.mark.parametrize(("code", "form", "substance", "per", "pack", "keeps"), PRODUCTS)
def test_a_product_holds_what_the_text_says(
    code: str, form: str, substance: str, per: str, pack: str, keeps: str
) -> None:
    """CB14 (memory), WHO00, LBL, ETH (seen)."""
    found = medicine(code).formulation(form)
    share = found.substance.value / found.per.value
    value, volume = (Decimal(text.split()[0]) for text in (substance, per))
    assert share == value / volume
    assert (found.substance.unit, found.per.unit) == (substance.split()[1], per.split()[1])
    assert f"{found.pack_size.value:f} {found.pack_size.unit}" == pack
    assert found.strength_on_label in LABELS
    if keeps:
        assert found.shelf_life is not None
        assert f"{found.shelf_life.value:f} {found.shelf_life.unit}" == keeps


# Section 5, and the WHO flag limits (WHO06): when a weight is believed.
WEIGHT_LIMITS = (
    ("stale_young", "48 h"),
    ("stale_young_until", "14 d"),
    ("stale_older", "7 d"),
    ("birth_weight_usable", "48 h"),
    ("newborn_until", "7 d"),
    ("newborn_loss", "15 %"),
    ("newborn_gain", "20 %"),
    ("z_high", "5 {z}"),
    ("z_low", "-6 {z}"),
    ("weigh_again_from", "8.0 kg"),
    ("agree_within", "5 %"),
    ("change_at_once", "15 %"),  # practice, no source
    ("gain_a_day", "0.06 kg"),  # practice, no source
)


@pytest.mark.parametrize(("what", "expected"), WEIGHT_LIMITS)
def test_a_weight_is_believed_within_the_limits_of_the_text(what: str, expected: str) -> None:
    declared: Number = getattr(PROTOCOL.weight_limits, what)
    assert f"{declared.value:f} {declared.unit}" == expected


def test_how_far_a_dose_may_lie_from_its_target() -> None:
    """Section 4: more than 20 % is told; more than +50 % or -25 % is a warning."""
    limits = (PROTOCOL.deviation_note, PROTOCOL.deviation_high, PROTOCOL.deviation_low)
    assert [(limit.value, limit.unit) for limit in limits] == [(20, "%"), (50, "%"), (25, "%")]


def test_the_limits_of_the_very_small() -> None:
    """Section 3: below 1.5 kg no outpatient regimen (WHO/UNICEF, seen); 1.0 kg (CB14, memory)."""
    low = PROTOCOL.low_weight
    assert (low.outpatient_from.value, low.dose_from.value) == (Decimal("1.5"), Decimal("1.0"))
    assert low.outpatient_from.unit == low.dose_from.unit == "kg"


def medicine(code: str) -> Medicine:
    return PROTOCOL.medicine_by_code[code]
