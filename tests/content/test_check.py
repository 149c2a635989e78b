"""Seeded faults between the parts: bands, doses, rows, plans, texts.

These are facts about the checks, not about medicine: the numbers are deliberately wrong.
"""

# ruff: noqa: E501 - a table: one fault, one line

from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

import pytest

from cds_service.content.load import load
from cds_service.quantity import to_step
from tests.content.broken import changed, copied, findings

SIGNS, ROWS, PLANS, HEAD = "signs.yaml", "classifications.yaml", "treatments.yaml", "protocol.yaml"
AMOXICILLIN, GENTAMICIN = "medicines/amoxicillin.yaml", "medicines/gentamicin.yaml"
AMPICILLIN, CEFTRIAXONE = "medicines/ampicillin.yaml", "medicines/ceftriaxone.yaml"
EN, EN_WRITE = "translations/en.yaml", "translations/en/write.yaml"


class Fault(NamedTuple):
    """An edit that breaks the content, and the start of the only finding it leads to."""

    file: str
    old: str
    new: str
    says: str
    where: str = ""
    """The file of the finding, when it is another one."""


LOCAL = "any: [umbilicus-red, umbilicus-pus, skin-pustules]"
CELL = "amoxicillin-suspension-125mg-5ml: {give: 5 mL, range: [31.25 mg/kg, 50 mg/kg]}"
UNDER_7 = "when: {all: [{measure: age, below: 7 d}]}"
FROM_7 = "when: {all: [{measure: age, at-least: 7 d}]}"
RANGE_50 = "range: [50 mg/kg, 50 mg/kg]"
TABLET_RANGE = (
    'amoxicillin-dispersible-tablet-250mg: {give: "0.5 {tbl}", range: [62.5 mg/kg, 83.4 mg/kg]}'
)

FAULTS = {
    # Bands
    "gap": Fault(AMOXICILLIN, "from: 2.5 kg", "from: 2.6 kg", "a gap from 2.5 to 2.6 kg"),
    "overlap": Fault(AMOXICILLIN, "from: 2.5 kg", "from: 2.4 kg", "the band 2500g-to-under-4000g overlaps 2000g-to-under-2500g"),
    "band turned round": Fault(AMOXICILLIN, "below: 2.5 kg", "below: 1.9 kg", "the band ends before it begins"),
    "fixed dose without end": Fault(AMOXICILLIN, "        below: 2.0 kg\n", "", "a fixed dose needs an upper weight"),
    "first band too high": Fault(AMOXICILLIN, "from: 1.5 kg", "from: 1.6 kg", "the first band must begin at 1.5 kg or below"),
    "band from nothing": Fault(AMOXICILLIN, "from: 1.5 kg", "from: 0 kg", "a band begins above zero"),
    "band twice": Fault(AMOXICILLIN, "code: 2000g-to-under-2500g", "code: 1500g-to-under-2000g", "the band 1500g-to-under-2000g appears 2 times"),
    # Cells
    "dose above its range": Fault(AMOXICILLIN, CELL, CELL.replace("5 mL,", "5.5 mL,"), "amoxicillin-suspension-125mg-5ml gives 34.38 to 55.00 mg/kg in 2500g-to-under-4000g, outside"),
    "dose below its range": Fault(AMOXICILLIN, CELL, CELL.replace("31.25", "31.26"), "amoxicillin-suspension-125mg-5ml gives 31.25 to 50.00 mg/kg in 2500g-to-under-4000g, outside"),
    "dose above the hard maximum": Fault(AMOXICILLIN, "hard-max: {value: 85 mg/kg", "hard-max: {value: 83 mg/kg", "83.33 mg/kg is above hard-max"),
    "dose above the ceiling": Fault(AMOXICILLIN, "ceiling: {value: 400 mg", "ceiling: {value: 249 mg", "250.00 mg is above the ceiling"),
    "dose that cannot be measured": Fault(AMOXICILLIN, CELL, CELL.replace("5 mL,", "4.9 mL,").replace("31.25", "30"), "4.9 cannot be measured in 0.5 steps"),
    "dose of nothing": Fault(AMOXICILLIN, CELL, CELL.replace("5 mL,", "0 mL,"), "0 cannot be measured in 0.5 steps"),
    "syrup in tablets": Fault(AMOXICILLIN, CELL, CELL.replace("5 mL,", '"5 {tbl}",'), "amoxicillin-suspension-125mg-5ml is measured in mL"),
    "no cell for a formulation": Fault(AMOXICILLIN, f"          {TABLET_RANGE}\n", "", "no cell for amoxicillin-dispersible-tablet-250mg"),
    "range in another unit": Fault(AMOXICILLIN, CELL, CELL.replace("mg/kg", "mL/kg"), "31.25 mL/kg must be in mg/kg"),
    "preference with a gap": Fault(AMOXICILLIN, "  - amoxicillin-tablet-250mg\nrules", "rules", "prefer leaves out amoxicillin-tablet-250mg"),
    # Doses per kilogram
    "target outside its range": Fault(GENTAMICIN, "range: [5 mg/kg, 5.5 mg/kg]", "range: [5.1 mg/kg, 5.5 mg/kg]", "the dose 5 mg/kg is outside its range"),
    "target outside what is given": Fault(GENTAMICIN, "dose: 7.5 mg/kg", "dose: 7.6 mg/kg", "the dose 7.6 mg/kg is outside"),
    "range outside what is given": Fault(AMPICILLIN, "[40 mg/kg, 60 mg/kg]", "[51 mg/kg, 60 mg/kg]", "the dose 50 mg/kg is outside rounded-range"),
    "rounding down too far": Fault(GENTAMICIN, "[6.8 mg/kg, 7.5 mg/kg]", "[6.9 mg/kg, 7.5 mg/kg]", "gentamicin-vial-20mg-2ml at 1.60 kg gives 6.88 mg/kg after rounding"),
    "rounding to the nearest too far": Fault(AMPICILLIN, "[40 mg/kg, 60 mg/kg]", "[40 mg/kg, 58 mg/kg]", "ampicillin-vial-500mg at 1.00 kg gives 60.00 mg/kg after rounding"),
    "a coarse step": Fault(AMPICILLIN, "round: nearest", "round: nearest\n      step: 0.5 mL", "ampicillin-vial-250mg at 1.00 kg gives 83.33 mg/kg after rounding"),
    "a step finer than the syringe": Fault(AMPICILLIN, "round: nearest", "round: nearest\n      step: 0.05 mL", "ampicillin-vial-250mg cannot be measured in steps of 0.05 mL; its own step is 0.1 mL"),
    "a step of tablets": Fault(AMPICILLIN, "round: nearest", 'round: nearest\n      step: "0.5 {tbl}"', "ampicillin-vial-250mg cannot be measured in steps of 0.5 {tbl}"),
    "rounded above the hard maximum": Fault(AMOXICILLIN, "rounded-range: [40 mg/kg, 60 mg/kg]", "rounded-range: [40 mg/kg, 86 mg/kg]", "rounded-range is above hard-max"),
    "dose of nothing per kilogram": Fault(AMPICILLIN, "target: 50 mg/kg", "target: 0 mg/kg", "0 mg/kg must be above zero"),
    "ceiling in another unit": Fault(GENTAMICIN, "ceiling: {value: 60 mg", 'ceiling: {value: "60 [iU]"', "the ceiling must be in mg"),
    # Formulations
    "strength per vial": Fault(AMPICILLIN, "    made-up: [250 mg, 1.5 mL]\n", "", "the strength is not in mL or {tbl}; add made-up"),
    "step in another unit": Fault(AMPICILLIN, "step: 0.1 mL", 'step: "0.1 {tbl}"', "0.1 {tbl} must be in mL"),
    "step of nothing": Fault(AMPICILLIN, "step: 0.1 mL", "step: 0 mL", "strength, step and pack-size must be above zero"),
    "substance lost": Fault(AMPICILLIN, "made-up: [250 mg, 1.5 mL]", "made-up: [200 mg, 1.5 mL]", "made-up must hold the same substance"),
    "water lost": Fault(AMPICILLIN, "made-up: [250 mg, 1.5 mL]", "made-up: [250 mg, 1.2 mL]", "made-up is less than the water"),
    "two kinds of substance": Fault(AMPICILLIN, 'strength: [500 mg, "1 {vial}"]\n    dilute: 2.1 mL\n    made-up: [500 mg', 'strength: ["500 [iU]", "1 {vial}"]\n    dilute: 2.1 mL\n    made-up: ["500 [iU]"', "formulations measure in [iU] and mg"),
    # Rows and rules
    "row hidden by the one above": Fault(ROWS, f"      when:\n        {LOCAL}", f"      when:\n        {LOCAL}\n    - class: pneumonia\n      source: [ETH]\n      evidence: seen\n      when: {{all: [umbilicus-red, jaundice]}}", "the row pneumonia can never apply"),
    "row that contradicts itself": Fault(ROWS, "any: [umbilicus-red, umbilicus-pus, skin-pustules]", "all: [umbilicus-red, {finding: umbilicus-red, is: no}]", "the row local-bacterial-infection can never apply"),
    "row that contradicts what is implied": Fault(ROWS, LOCAL, "all: [severe-pustules, {none: [skin-pustules]}]", "the row local-bacterial-infection can never apply"),
    "row that is and is not": Fault(ROWS, LOCAL, "all: [low-birth-weight, {finding: low-birth-weight, is: no}]", "the row local-bacterial-infection can never apply"),
    "row outside the ages": Fault(ROWS, "{measure: age, at-least: 7 d}", "{measure: age, at-least: 60 d}", "the row pneumonia can never apply"),
    "row between two limits": Fault(ROWS, LOCAL, "all: [{measure: weight, above: 2 kg}, {measure: weight, at-most: 2 kg}]", "the row local-bacterial-infection can never apply"),
    "row of too many": Fault(ROWS, LOCAL, "{at-least: 2, of: [jaundice, {all: [diarrhoea, {none: [diarrhoea]}]}]} #", "the row local-bacterial-infection can never apply"),
    "row after a day without a limit": Fault(ROWS, LOCAL, "all: [feels-hot, {measure: temperature, below: 36 Cel}]", "the row local-bacterial-infection can never apply"),
    "class twice": Fault(ROWS, "class: thrush", "class: pneumonia", "the class pneumonia has a row already"),
    "rule hidden by the one above": Fault(GENTAMICIN, UNDER_7, UNDER_7.replace("below: 7 d", "below: 0 d"), "the rule under-7-days can never apply"),
    "rule for everyone above others": Fault(GENTAMICIN, f"    {UNDER_7}\n", "", "the rule 7-days-and-over can never apply"),
    "case without a rule": Fault(GENTAMICIN, FROM_7, FROM_7.replace("7 d", "8 d"), "no rule serves age 7"),
    "weight without a rule": Fault(GENTAMICIN, FROM_7, "when: {all: [{measure: age, at-least: 7 d}, {measure: weight, below: 6 kg}]}", "no rule serves age 7"),
    "regimen hidden by the one above": Fault(PLANS, "when: {any: [{finding: seven-injections-possible, is: no}]}", "when: {all: [no-injections-possible, jaundice]}", "the regimen gentamicin-two-days can never apply"),
    "care that is never shown": Fault(PLANS, "when: {any: [apnoea]}", "when: {all: [apnoea, {none: [apnoea]}]}", "breathe-for-the-baby can never be shown"),
    "no illness with a condition": Fault(ROWS, "      when:\n        any: [umbilicus-red, umbilicus-pus, skin-pustules]", "      no-illness: true\n      when:\n        any: [umbilicus-red, umbilicus-pus, skin-pustules]", "a no-illness row is the last one, with otherwise: true"),
    "caution that is never shown": Fault(GENTAMICIN, "when: {any: [kidney-problem, little-urine, sunken-eyes, skin-pinch-slow, skin-pinch-very-slow]}", "when: {all: [{measure: age, above: 59 d}]}", "kidney-or-little-urine can never be shown"),
    "medicine that is never offered": Fault(CEFTRIAXONE, "{finding: calcium-infusion, is: no,", "{finding: jaundice, is: yes,", "offered-when can never hold"),
    # Plans
    "class without a plan": Fault(PLANS, "  pneumonia:\n", "  pneumonias:\n", "the class pneumonia has no plan", ROWS),
    "plan without a class": Fault(PLANS, "  pneumonia:\n", "  pneumonias:\n", "no row gives the class pneumonias"),
    "severe without referral": Fault(PLANS, "referral: only", "referral: none", "referral none does not fit severe: True"),
    "referral without severe": Fault(ROWS, "      severe: true\n      source: [W24, A24, P20]", "      source: [W24, A24, P20]", "referral choice does not fit severe: False", PLANS),
    "regimen twice": Fault(PLANS, "code: gentamicin-two-days", "code: amoxicillin-alone", "the regimen amoxicillin-alone appears twice"),
    # Signs and growth
    "no sign for referral": Fault(SIGNS, "referral-possible:", "referral-thinkable:", "the sign referral-possible is missing"),
    "no birth weight": Fault(SIGNS, "  birth-weight:\n", "  weight-at-birth:\n", "the measure birth-weight is missing"),
    "gestation in days": Fault(SIGNS, "unit: wk", "unit: d", "gestational-age is reckoned in wk, not in d"),
    "signs in a circle": Fault(SIGNS, "convulsions: {required: always,", "convulsions: {implies: {convulsing-now: yes}, required: always,", "convulsions implies itself"),
    "a day too few": Fault("growth.yaml", "    - [0.3487, 3.3464, 0.14602]\n", "", "male has 59 days; one line is due for each of 60"),
    # Texts
    "sign without words": Fault(EN, "sign.jaundice:", "sign.jaundiced:", "no text sign.jaundice; write it", SIGNS),
    "class without words": Fault(EN, "class.pneumonia:", "class.pneumonias:", "no text class.pneumonia;", ROWS),
    "care without words": Fault(EN, "care.skin-care:", "care.skincare:", "no text care.skin-care;", PLANS),
    "visit without words": Fault(EN, "visit.next-injection:", "visit.next:", "no text visit.next-injection;", PLANS),
    "caution without words": Fault(EN, "caution.very-low-weight:", "caution.tiny:", "no text caution.very-low-weight;", PLANS),
    "medicine without words": Fault(EN, "medicine.ampicillin:", "medicine.ampi:", "no text medicine.ampicillin;", AMPICILLIN),
    "formulation without words": Fault(EN, "formulation.ampicillin-vial-500mg:", "formulation.ampi:", "no text formulation.ampicillin-vial-500mg;", AMPICILLIN),
    "a value that nobody gives": Fault(PLANS, "values: {vitamin_k: 1 mg}", "values: {vitamin_c: 1 mg}", "the text care.stop-bleeding names {vitamin_k}, which has no value"),
    "a number typed in a text": Fault(EN, "care.referral-note:", 'care.referral-note: "Within 2 hours."\nx:', "care.referral-note types a number"),
    "a fraction typed in a text": Fault(EN, "care.referral-note:", 'care.referral-note: "Give ½ of it."\nx:', "care.referral-note types a number"),
    "two for one": Fault(EN_WRITE, "days.one: 1 day", "days.one: 2 days", "days.one types a number"),
    "a placeholder in capitals": Fault(EN, "care.referral-note:", 'care.referral-note: "At {Time}."\nx:', "care.referral-note: a placeholder is written {name}"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_a_fault_between_the_parts_is_found(fault: Fault, tmp_path: Path) -> None:
    found = findings(copied(tmp_path, (fault.file, fault.old, fault.new)))
    where = fault.where or fault.file
    assert any(
        one.startswith(f"{where}:") and one.partition(": ")[2].startswith(fault.says)
        for one in found
    ), "\n".join(found)


def cut(folder: Path, file: str, start: str, end: str, instead: str) -> Path:
    """Replace everything from `start` up to `end` in a file of a copy."""
    path = copied(folder) / "sick-young-infant" / file
    before, _, rest = path.read_text(encoding="utf-8").partition(start)
    _, kept, after = rest.partition(end)
    assert kept, f"{file} has no {start!r} before {end!r}"
    path.write_text(before + instead + kept + after, encoding="utf-8")
    return folder


def test_a_medicine_without_a_rule_is_found(tmp_path: Path) -> None:
    folder = cut(tmp_path, CEFTRIAXONE, "rules:\n", "formulations:\n", "rules: []\n")
    assert "ceftriaxone needs at least one rule and one formulation" in findings(folder)[0]


def test_a_choice_of_treating_here_without_a_regimen_is_found(tmp_path: Path) -> None:
    start, end = "    regimens:\n      - code: amoxicillin-alone", "  fast-breathing-0-6-days:\n"
    folder = cut(tmp_path, PLANS, start, end, "    regimens: []\n")
    assert "referral choice needs a regimen for treating here" in findings(folder)[0]


def test_a_formulation_of_two_medicines_is_found(tmp_path: Path) -> None:
    folder = copied(
        tmp_path,
        (GENTAMICIN, "gentamicin-vial-80mg-2ml]", "ampicillin-vial-500mg]"),
        (GENTAMICIN, "code: gentamicin-vial-80mg-2ml", "code: ampicillin-vial-500mg"),
    )
    assert "the formulation ampicillin-vial-500mg is of ampicillin already" in findings(folder)[0]


def test_a_rule_without_condition_serves_everyone_left(tmp_path: Path) -> None:
    last = changed(tmp_path, (GENTAMICIN, f"    {FROM_7}\n", ""))
    assert last.medicine_by_code["gentamicin"].rules[-1].when is None


@pytest.mark.parametrize(
    "when",
    [
        "any: [feels-hot, feels-cold]",
        "all: [umbilicus-red, {at-least: 2, of: [jaundice, diarrhoea, umbilicus-pus]}]",
        "{at-least: 2, of: [jaundice, {measure: weight, below: 2 kg}, {measure: age, below: 2 d}]} #",
        "all: [low-birth-weight, {measure: weight, above: 3 kg}]",
        "all: [{measure: age, at-least: 59 d}, {measure: temperature, at-most: 36 Cel}]",
        "all: [{measure: postmenstrual-age, above: 41 wk}, {measure: postmenstrual-age, at-most: 42 wk}]",
        "none: [umbilicus-red, {finding: jaundice, is: no}]",
    ],
)
def test_a_row_that_some_infant_reaches_is_left_alone(when: str, tmp_path: Path) -> None:
    assert changed(tmp_path, (ROWS, LOCAL, when)).row_by_code["local-bacterial-infection"].when


def test_the_packaged_content_has_no_fault() -> None:
    assert load().row_by_code


SHORT = (AMOXICILLIN, "from: 6.0 kg", "from: 6.0 kg\n        below: 6.1 kg")


def test_a_short_band_is_checked_up_to_its_end(tmp_path: Path) -> None:
    assert changed(tmp_path / "right", SHORT)
    narrow = (AMOXICILLIN, "rounded-range: [40 mg/kg,", "rounded-range: [41.5 mg/kg,")
    found = findings(copied(tmp_path / "wrong", SHORT, narrow))
    assert "tablet-250mg at 6.10 kg gives 40.98 mg/kg after rounding" in found[0]


@pytest.mark.parametrize("code", ["ampicillin", "benzylpenicillin", "ceftriaxone"])
def test_no_weight_leaves_the_range_that_the_check_accepts(code: str) -> None:
    # Derived: the check looks at three weights; here every gram is looked at.
    protocol = load()
    medicine = protocol.medicine_by_code[code]
    rule = medicine.rules[0].per_kg
    assert rule is not None
    least, most = protocol.low_weight.dose_from, protocol.weight_limits.weigh_again_from
    for grams in range(int(least.value * 1000), int(most.value * 1000)):
        kg = Decimal(grams) / 1000
        for form in medicine.formulations:
            exact = form.amount_for(rule.target.value * kg)
            amount = to_step(exact, form.step.value, rule.rounding)
            given = amount * form.substance.value / form.per.value
            assert rule.rounded_low.value * kg <= given <= rule.rounded_high.value * kg
