"""Seeded faults of fixed amounts, contraindications, fluids and amounts per kilogram.

These are facts about the checks, not about medicine: the numbers are deliberately wrong.
"""

# ruff: noqa: E501 - a table: one fault, one line

from pathlib import Path

import pytest

from tests.content.broken import changed, copied, findings
from tests.content.test_check import Fault

NYSTATIN, COTRIMOXAZOLE = "medicines/nystatin.yaml", "medicines/cotrimoxazole.yaml"
NEVIRAPINE, AMOXICILLIN = "medicines/nevirapine.yaml", "medicines/amoxicillin.yaml"
FLUIDS, PLANS, HEAD = "fluids.yaml", "treatments.yaml", "protocol.yaml"
EN_MEDICINES, EN_FLUIDS = "translations/en/medicines.yaml", "translations/en/fluids.yaml"

FIXED = "fixed: {nystatin-suspension-100000iu-ml: 1 mL}"
STAGE = "{volume: 75 mL/kg, over: 4 h}"
GLUCOSE = "glucose: {step: 0.5 mL, round: nearest, within: {value: 15 %, evidence: derived}"
PNEUMONIA = "  pneumonia:\n    referral: none\n"

FAULTS = {
    # Fixed amounts
    "fixed amount in tablets": Fault(NYSTATIN, FIXED, FIXED.replace("1 mL", '"1 {tbl}"'), "nystatin-suspension-100000iu-ml is measured in mL"),
    "fixed amount between steps": Fault(NYSTATIN, FIXED, FIXED.replace("1 mL", "0.7 mL"), "0.7 cannot be measured in 0.5 steps"),
    "fixed amount of nothing": Fault(NYSTATIN, FIXED, FIXED.replace("1 mL", "0 mL"), "0 cannot be measured in 0.5 steps"),
    "fixed amount of an unknown product": Fault(NYSTATIN, FIXED, "fixed: {nystatin-drops: 1 mL}", "unknown formulation nystatin-drops"),
    "no fixed amount": Fault(NYSTATIN, FIXED, "fixed: {}", "no amount for nystatin-suspension-100000iu-ml; add it"),
    "fixed amount above the ceiling": Fault(COTRIMOXAZOLE, "ml: 2.5 mL", "ml: 3 mL", "120.00 mg is above the ceiling"),
    "fixed amount and dose per kilogram": Fault(NYSTATIN, FIXED, f"{FIXED}\n    bands: []", "a rule has one of per-kg, bands and fixed"),
    "bands without a target": Fault(AMOXICILLIN, "target: 50 mg/kg\n", "", "a banded dose is compared with a target"),
    "birth weight without a rule": Fault(NEVIRAPINE, "birth-weight, at-least: 2.5 kg", "birth-weight, at-least: 2.6 kg", "no rule serves"),
    # Products of two substances
    "one substance named": Fault(COTRIMOXAZOLE, "    counted: sulfamethoxazole\n", "", "counted and beside go together"),
    "substance without words": Fault(EN_MEDICINES, "substance.trimethoprim:", "substance.trim:", "no text substance.trimethoprim;", COTRIMOXAZOLE),
    # Contraindications
    "contraindication without words": Fault(EN_MEDICINES, "no-dose.cotrimoxazole-not-yet:", "no-dose.later:", "no text no-dose.cotrimoxazole-not-yet;", COTRIMOXAZOLE),
    "contraindication that never holds": Fault(COTRIMOXAZOLE, "when: {measure: age, below: 28 d}", "when: {all: [jaundice, {finding: jaundice, is: no}]}", "cotrimoxazole-not-yet can never be shown"),
    "contraindication without a condition": Fault(COTRIMOXAZOLE, "    when: {measure: age, below: 28 d}\n", "", "when is missing"),
    "no words for an open rule": Fault(NEVIRAPINE, "if-open: birth-weight-unknown", "if-open: who-knows", "no text no-dose.who-knows;"),
    # Fluids
    "two ways of counting a fluid": Fault(FLUIDS, f"- {STAGE}", f"- {STAGE}\n    after-each-stool: {{from: 50 mL, to: 100 mL, light-below: 4 kg, light-most: 50 mL}}", "a fluid has stages or after-each-stool, not both"),
    "volume and rate": Fault(FLUIDS, STAGE, "{volume: 75 mL/kg, rate: 20 mL/kg/h, over: 4 h}", "a stage has either volume or rate"),
    "volume in another unit": Fault(FLUIDS, STAGE, "{volume: 75 mg/kg, over: 4 h}", "the unit is mg/kg; it must be mL/kg here"),
    "stages that do not add up": Fault(FLUIDS, "{volume: 70 mL/kg", "{volume: 60 mL/kg", "the stages come to 90 mL/kg, not to 100"),
    "stages without a total": Fault(FLUIDS, "    total: 75 mL/kg\n", "", "stages need a total (mL/kg) and a ceiling"),
    "stages without a ceiling": Fault(FLUIDS, "    ceiling: {value: 600 mL, evidence: derived}\n", "", "stages need a total (mL/kg) and a ceiling"),
    "ceiling too low": Fault(FLUIDS, "ceiling: {value: 600 mL", "ceiling: {value: 590 mL", "the ceiling is below the volume for 8.0 kg"),
    "step too coarse": Fault(FLUIDS, "step: 5 mL", "step: 50 mL", "a stage is smaller than the step of 50 mL at 1.0 kg"),
    "amount after a stool turned round": Fault(FLUIDS, "from: 50 mL, to: 100 mL", "from: 150 mL, to: 100 mL", "after-each-stool runs from low to high"),
    "more for a light baby": Fault(FLUIDS, "light-most: {value: 50 mL", "light-most: {value: 150 mL", "after-each-stool runs from low to high"),
    "amount after a stool between steps": Fault(FLUIDS, "from: 50 mL, to", "from: 52 mL, to", "after-each-stool cannot be measured in steps of 5 mL"),
    "alternative to itself": Fault(FLUIDS, "alternative: plan-c-by-tube", "alternative: plan-c", "plan-c is its own alternative"),
    "unknown alternative": Fault(FLUIDS, "alternative: plan-c-by-tube", "alternative: tea", "unknown fluid tea"),
    "counts as an unknown sign": Fault(FLUIDS, "counts-as: [calcium-infusion]", "counts-as: [calcium]", "unknown sign calcium"),
    "product without words": Fault(EN_FLUIDS, "product.ors:", "product.salts:", "no text product.ors;", FLUIDS),
    "way by tube without words": Fault(EN_FLUIDS, "give-fluid.tube:", "give-fluid.pipe:", "no text give-fluid.tube;", FLUIDS),
    "plan with an unknown fluid": Fault(PLANS, PNEUMONIA, f"{PNEUMONIA}    fluids: {{refer: [], here: [tea]}}\n", "unknown fluid tea"),
    # Amounts per kilogram
    "amount of no value": Fault(PLANS, GLUCOSE, GLUCOSE.replace("glucose:", "sugar:"), "values has no sugar in mL/kg or mg/kg"),
    "amount in another unit": Fault(PLANS, GLUCOSE, GLUCOSE.replace("0.5 mL", "0.5 mg"), "glucose is measured in mL, the step is not"),
    "amount rounded too far": Fault(PLANS, GLUCOSE, GLUCOSE.replace("0.5 mL", "1 mL"), "glucose: rounding moves the smallest amount by up to 25 %"),
    "amount capped in another unit": Fault(PLANS, "at-most: {value: 50 mL", "at-most: {value: 50 mg", "per_kg: at-most must be in mL"),
    "amount of another substance": Fault(PLANS, "strength: [200 mg, 1 mL]", 'strength: ["200 [iU]", 1 mL]', "muscle: the strength must be in mg"),
    "strength measured in milligrams": Fault(PLANS, "step: 0.01 mL", "step: 0.01 mg", "muscle is measured in mL, the step is not"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_a_fault_is_found(fault: Fault, tmp_path: Path) -> None:
    found = findings(copied(tmp_path, (fault.file, fault.old, fault.new)))
    where = fault.where or fault.file
    assert any(
        one.partition("/")[2].startswith(f"{where}:") or one.startswith(f"{where}:")
        for one in found
        if fault.says in one
    ), "\n".join(found)


def test_a_plan_names_its_fluids_by_branch(tmp_path: Path) -> None:
    named = f"{PNEUMONIA}    fluids: {{refer: [ors-on-the-way], here: [plan-b]}}\n"
    plan = changed(tmp_path, (PLANS, PNEUMONIA, named)).plan_by_code["pneumonia"]
    assert plan.fluids == (("refer", ("ors-on-the-way",)), ("here", ("plan-b",)))


def test_the_other_files_are_checked_when_the_fluids_do_not_read(tmp_path: Path) -> None:
    found = findings(
        copied(
            tmp_path,
            (FLUIDS, "step: 5 mL", "step: 5"),
            (FLUIDS, "alternative: plan-c-by-tube", "alternative: plan-c"),
        )
    )
    assert len(found) == 1
