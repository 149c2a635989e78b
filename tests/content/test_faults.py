"""Seeded faults of reading: each is found, at its line, with what to do.

These are facts about the loader, not about medicine: the numbers are deliberately wrong.
"""

# ruff: noqa: E501 - a table: one fault, one line

from pathlib import Path
from typing import NamedTuple

import pytest

from tests.content.broken import copied, findings, line_of

SIGNS, ROWS, PLANS = "signs.yaml", "classifications.yaml", "treatments.yaml"
HEAD, SOURCES, GROWTH = "protocol.yaml", "sources.yaml", "growth.yaml"
AMOXICILLIN, GENTAMICIN = "medicines/amoxicillin.yaml", "medicines/gentamicin.yaml"
AMPICILLIN, EN = "medicines/ampicillin.yaml", "translations/en.yaml"


class Fault(NamedTuple):
    """An edit that breaks the content, and the finding that it must lead to."""

    file: str
    old: str
    new: str
    says: str
    at: str = ""
    """Text on the line of the finding, when that is not where the new text begins."""


AGE = "age-below: {value: 60 d, source: [W24], evidence: seen}"
WARM = "{code: keep-warm-at-home, source: [ETH], evidence: seen}"
LOCAL = "any: [umbilicus-red, umbilicus-pus, skin-pustules]"
COLD = "feels-cold: {only-without: temperature, evidence: derived}"
BOY = "[0.3487, 3.3464, 0.14602]"

FAULTS = {
    # YAML itself
    "no YAML": Fault(HEAD, AGE, "age-below: 60 d: x", "this is not YAML"),
    "bad bytes": Fault(HEAD, AGE, "\x07", "this is not YAML", "# Sick"),
    "duplicate key": Fault(HEAD, AGE, f"{AGE}\nid: twice", "the key id appears twice", "id: twice"),
    "key that is a list": Fault(HEAD, AGE, f"{AGE}\n? [a]\n: b", "a key is one word", "? [a]"),
    "tag": Fault(HEAD, "status: draft", "status: !!python/name:os.system x", "unknown tag"),
    "anchor in itself": Fault(HEAD, "source: [W24, W15]", "source: &a [*a]", "contains itself"),
    "merge of a list": Fault(HEAD, AGE, f"{AGE}\n<<: [a]", "<< takes one anchor", "<<: [a]"),
    # Numbers
    "no unit": Fault(SIGNS, "from: 20 Cel", "from: 20", "20 is no number with a unit"),
    "fraction without unit": Fault(PLANS, "{value: 1.5 kg", "{value: 1.5", "1.5 is no number"),
    "no space": Fault(SIGNS, "from: 20 Cel", "from: 20Cel", "20Cel is no number with a unit"),
    "exponent": Fault(SIGNS, "to: 10000 kg", "to: 1e4 kg", "1e4 kg is no number with a unit"),
    "unknown unit": Fault(SIGNS, "from: 20 Cel", "from: 20 degC", "unknown unit degC"),
    "another unit": Fault(HEAD, "stale-young: 48 h", "stale-young: 48 kg", "must be h or d here"),
    "grams for kilograms": Fault(AMOXICILLIN, "from: 2.0 kg", "from: 2000 g", "it must be kg here"),
    "limit in another unit": Fault(
        ROWS, "at-least: 38.0 Cel", 'at-least: "100.4 [degF]"', "it must be Cel here"
    ),
    "whose age counts": Fault(GENTAMICIN, "age-of: first-day\n", "", "age-of says which day's age counts", "code: gentamicin"),
    "whose age counts, of no rule": Fault(AMPICILLIN, "times-a-day:", "age-of: each-day\ntimes-a-day:", "it goes with rules that test the age"),
    "the age of another day": Fault(GENTAMICIN, "age-of: first-day", "age-of: birth", "age-of is birth; write one of"),
    "limits that are not the same amount": Fault(PLANS, "or: [45 mg/dL]", "or: [40 mg/dL]", "2.5 mmol/L are 45.039 mg/dL, not 40 mg/dL"),
    "a limit for one unit only": Fault(PLANS, ", or: [45 mg/dL]", "", "needs, under or, its limit in mg/dL", "measure: blood-glucose"),
    "a limit twice in one unit": Fault(PLANS, "or: [45 mg/dL]", "or: [45 mg/dL, 45 mg/dL]", "its limit in mg/dL", "measure: blood-glucose"),
    "a limit in no further unit": Fault(ROWS, "at-least: 38.0 Cel", "at-least: 38.0 Cel, or: [45 mg/dL]", "its limit in no other unit", "at-least: 38.0 Cel"),
    "molar mass of a weight": Fault(SIGNS, 'units: [kg, g, "[lb_av]"]', 'units: [kg, g, "[lb_av]"]\n    molar-mass: {value: 180.156 g/mol, evidence: derived}', "molar-mass is for a measure in mmol/L", "molar-mass"),
    "another unit of a weight": Fault(SIGNS, 'units: [kg, g, "[lb_av]"]', 'units: [kg, g, "[lb_av]"]\n    wrong-unit: {from: 20 kg, below: 10 kg, evidence: practice}', "wrong-unit is for a measure in mmol/L", "wrong-unit"),
    "mass without molar mass": Fault(SIGNS, "    molar-mass: {value: 180.156 g/mol, evidence: derived}\n", "", "mg/dL cannot be turned into mmol/L", "units: [mmol/L, mg/dL]"),
    "missing number": Fault(HEAD, "  newborn-loss: 15 %\n", "", "newborn-loss is missing", "weight-limits:"),
    "empty number": Fault(HEAD, "newborn-loss: 15 %", "newborn-loss:", "newborn-loss is missing"),
    "number as a list": Fault(HEAD, "newborn-loss: 15 %", "newborn-loss: [15 %]", "is no number"),
    "one number of two": Fault(AMPICILLIN, "range: [50 mg/kg, 50 mg/kg]", "range: [50 mg/kg]", "two numbers"),
    "range turned round": Fault(
        GENTAMICIN, "range: [3 mg/kg, 4 mg/kg]", "range: [4 mg/kg, 3 mg/kg]", "from high to low"
    ),
    "range that is no list": Fault(
        AMPICILLIN, "range: [50 mg/kg, 50 mg/kg]", "range: 50 mg/kg", "a list is due here"
    ),
    "empty item": Fault(AMPICILLIN, "range: [50 mg/kg, 50 mg/kg]", "range: [50 mg/kg, null]", "an empty item"),
    "below zero": Fault(GENTAMICIN, "split-above: {value: 2 mL", "split-above: {value: -2 mL", "-2 mL is below zero"),
    "half a day": Fault(PLANS, "for: 10 d", "for: 10.5 d", "days, doses and times a day are whole numbers"),
    "no days": Fault(PLANS, "for: 10 d", "for: 0 d", "for must be above zero"),
    "never a day": Fault(AMPICILLIN, "times-a-day: {value: 2 /d", "times-a-day: {value: 0 /d", "times-a-day must be above zero"),
    # Sources and evidence
    "no evidence": Fault(HEAD, "source: [W24, W15]\nevidence: seen\n", "", "no evidence, here or above", "id: sick"),
    "number without evidence": Fault(SIGNS, "to: 45 wk, evidence: practice}\n    evidence: practice", "to: 45 wk}", "a number without evidence"),
    "source without evidence": Fault(
        SIGNS, "{required: always, source: [A24], evidence: seen}", "{required: always, source: [A24]}", "evidence is missing"
    ),
    "unknown evidence": Fault(HEAD, "evidence: practice", "evidence: guess", "evidence is guess; write one of"),
    "seen without source": Fault(HEAD, "{value: 12 h, evidence: practice}", "{value: 12 h, source: [], evidence: seen}", "evidence seen needs a source"),
    "memory without source": Fault(SIGNS, COLD, COLD.replace("derived", "memory"), "evidence memory needs a source"),
    "unknown source": Fault(HEAD, "source: [W24], ", "source: [W99], ", "unknown source W99"),
    "source twice": Fault(HEAD, "source: [W24], ", "source: [W24, W24], ", "names something twice"),
    "source without year": Fault(SOURCES, "year: 2024", "year: soon", "year is a whole number"),
    "source without title": Fault(SOURCES, "title: Recommendations", "name: Recommendations", "unknown key name"),
    # Keys and words
    "unknown key": Fault(HEAD, AGE, f"{AGE}\nage_above: 0 d", "unknown key age_above; known: id version", "age_above"),
    "word of a few": Fault(HEAD, "status: draft", "status: final", "status is final; write one of: active draft retired"),
    "text that is a number": Fault(HEAD, 'version: "2024.1"', "version: 2024.1", "version needs text"),
    "flag in words": Fault(ROWS, "severe: true", "severe: yes", "severe is true or false"),
    "list for a mapping": Fault(PLANS, "values: {vitamin_k: 1 mg}", "values: [1 mg]", "a mapping is due here"),
    "mapping for a list": Fault(PLANS, "counselling:\n", "counselling: {a: b}\nx:\n", "a list is due here"),
    "empty list": Fault(PLANS, "absorbed-by: [critical-illness, clinical-severe-infection, fast-breathing-0-6-days]", "absorbed-by:", "absorbed-by is missing"),
    "missing range": Fault(AMPICILLIN, "      range: [50 mg/kg, 50 mg/kg]\n", "", "range is missing", "per-kg:"),
    "missing part": Fault(PLANS, "low-weight:", "low-wait:", "low-weight is missing", "emergency:"),
    "list for named parts": Fault(PLANS, "plans:", "plans: [a]\nx:", "plans needs one mapping for each name"),
    "empty in a list": Fault(PLANS, f"- {WARM}", "- # left out", "an empty item"),
    # Signs and measures
    "implied sign": Fault(SIGNS, "implies: {convulsions: yes}", "implies: {convulsion: yes}", "unknown sign convulsion;"),
    "implied answer": Fault(SIGNS, "implies: {convulsions: yes}", "implies: {convulsions: maybe}", "convulsions is maybe; write one of: no yes"),
    "required by nobody": Fault(SIGNS, "required: [skin-pustules]", "required: [pustules]", "unknown sign pustules"),
    "required sometimes": Fault(SIGNS, "convulsions: {required: always", "convulsions: {required: often", "a list is due here"),
    "overruled by nothing": Fault(SIGNS, COLD, COLD.replace("temperature", "warmth"), "unknown measure warmth"),
    "sign named as a measure": Fault(SIGNS, COLD, "age: {evidence: derived}", "age is a measure already"),
    "measure that is worked out": Fault(SIGNS, "  weight:\n", "  age:\n", "age is worked out, not measured"),
    "units without the unit": Fault(SIGNS, "units: [wk, d]", "units: [d]", "units must name wk too"),
    "units of another kind": Fault(SIGNS, "units: [wk, d]", "units: [wk, kg]", "kg cannot be turned into wk"),
    "no LOINC": Fault(SIGNS, 'loinc: ["29463-7"]', "loinc: []", "loinc needs at least one code"),
    "LOINC that is no text": Fault(SIGNS, 'loinc: ["29463-7"]', "loinc: [29463]", "put codes in quotes"),
    "unknown site": Fault(SIGNS, "sites-that-exclude: [axillary]", "sites-that-exclude: [ear-tag]", "unknown site ear-tag"),
    "LOINC with a slip": Fault(SIGNS, "29463-7", "24963-7", "24963-7 is no LOINC code"),
    "SNOMED CT with a slip": Fault(SIGNS, "91936005", "91963005", "91963005 is no SNOMED CT code"),
    "group of ATC with a slip": Fault(SIGNS, "[J01C]", "[JO1C]", "JO1C is no ATC code"),
    # Conditions
    "condition twice": Fault(ROWS, LOCAL, "any: [umbilicus-red, {finding: umbilicus-red}]", "this condition stands in the list already", "any: ["),
    "limit twice": Fault(ROWS, LOCAL, "any: [{measure: age, below: 7 d}, {measure: age, below: 7 d}]", "this condition stands in the list already"),
    "group twice": Fault(ROWS, LOCAL, "any: [{none: [jaundice]}, {none: [jaundice]}]", "this condition stands in the list already"),
    "unknown sign": Fault(ROWS, "- unable-to-feed", "- unable-to-eat", "unknown sign unable-to-eat"),
    "unknown finding": Fault(ROWS, "finding: apnoea", "finding: apnea", "unknown sign apnea"),
    "unknown measure": Fault(ROWS, "measure: temperature", "measure: heat", "unknown measure heat"),
    "two limits": Fault(ROWS, "at-least: 38.0 Cel", "at-least: 38.0 Cel, below: 45 Cel", "exactly one limit"),
    "no limit": Fault(ROWS, ", at-least: 38.0 Cel", "", "exactly one limit", "measure: temperature"),
    "day of treatment of nothing": Fault(ROWS, "day-of-treatment, since: pneumonia,", "day-of-treatment,", "day-of-treatment needs since: <class>", "day-of-treatment, at-most"),
    "since beside another measure": Fault(ROWS, "{measure: temperature, at-least: 38.0 Cel}", "{measure: temperature, since: pneumonia, at-least: 38.0 Cel}", "nothing else has it"),
    "answer that is neither": Fault(PLANS, "is: no}", "is: unknown}", "is is unknown; write one of"),
    "confirmed without repeat": Fault(
        ROWS, "{measure: temperature, at-least: 38.0 Cel}", "{measure: temperature, at-least: 38.0 Cel, confirmed: true}", "has no repeat-within"
    ),
    "no kind of condition": Fault(ROWS, LOCAL, "some: [umbilicus-red]", "unknown key some"),
    "two kinds of group": Fault(ROWS, LOCAL, f"{LOCAL}\n        all: [jaundice]", "one of all/any/none/of", "      when:\n        any: [umb"),
    "empty group": Fault(ROWS, LOCAL, "any: []", "any needs a list of conditions"),
    "group that is no list": Fault(ROWS, LOCAL, "any: jaundice", "any needs a list of conditions"),
    "more than there are": Fault(ROWS, LOCAL, "{at-least: 2, of: [jaundice]}", "between 1 and 1"),
    "condition that is a number": Fault(ROWS, "- unable-to-feed", "- 3", "a mapping is due here"),
    # Tables
    "table without rows": Fault(ROWS, "local-infection:\n  rows:", "local-infection:\n  rows: []\nother:\n  rows:", "the table has no rows", "  rows: []"),
    "otherwise and when": Fault(ROWS, "otherwise: true", f"otherwise: true\n      when: {{{LOCAL}}}", "either when or otherwise", "      when: {any: [umb"),
    "otherwise above": Fault(ROWS, "      when:\n        any: [", "      otherwise: true\n    - class: late\n      when:\n        any: [", "belongs in the last row", "otherwise: true\n    - class: late"),
    "neither": Fault(ROWS, "      otherwise: true\n", "", "when is missing", "class: infection-unlikely"),
    # Treatments
    "unknown referral": Fault(PLANS, "referral: only", "referral: maybe", "referral is maybe"),
    "unknown medicine": Fault(PLANS, "medicines: [gentamicin]", "medicines: [gentamycin]", "unknown medicine gentamycin"),
    "no medicine": Fault(PLANS, "medicines: [gentamicin]", "medicines: []", "at least one medicine"),
    "unknown alternative": Fault(PLANS, "alternative: ceftriaxone", "alternative: tea", "unknown medicine tea"),
    "visit with nothing": Fault(PLANS, "with: gentamicin", "with: tea", "unknown medicine tea"),
    "absorbed by nothing": Fault(PLANS, "absorbed-by: [critical-illness,", "absorbed-by: [critical,", "unknown class critical"),
    "severity": Fault(PLANS, "severity: moderate", "severity: middling", "severity is middling"),
    "regimen left open": Fault(PLANS, "code: amoxicillin-alone\n        when: {any: [no-injections-possible]}", "code: amoxicillin-alone", "every regimen has a when, except", "code: amoxicillin-alone"),
    "no last regimen": Fault(PLANS, "      - code: gentamicin-seven-days\n", "      - code: gentamicin-seven-days\n        when: {any: [jaundice]}\n", "every regimen has a when, except", "code: gentamicin-seven-days"),
    "dose from above": Fault(PLANS, "{value: 1.0 kg", "{value: 1.6 kg", "dose-from lies above zero"),
    "course in weeks": Fault(PLANS, "for: 10 d", "for: 2 wk", "it must be d here"),
    # Medicines
    "file of another name": Fault(AMPICILLIN, "code: ampicillin\n", "code: ampicilin\n", "differs from the file's name"),
    "unknown formulation": Fault(AMPICILLIN, "prefer: [ampicillin-vial-250mg,", "prefer: [ampicillin-vial-25mg,", "unknown formulation ampicillin-vial-25mg"),
    "unknown cell": Fault(AMOXICILLIN, "          amoxicillin-suspension-125mg-5ml: {give: 3 mL", "          amoxicillin-drops: {give: 3 mL", "unknown formulation amoxicillin-drops"),
    "asks for what it does not avoid": Fault(GENTAMICIN, "ask-first: []", "ask-first: [jaundice]", "unknown sign of avoid-with jaundice"),
    "neither dose nor bands": Fault(AMOXICILLIN, "    bands:\n", "    band:\n", "one of per-kg, bands and fixed", "code: by-band"),
    "neither cells nor dose": Fault(AMOXICILLIN, "        cells:\n", "        cels:\n", "either cells or per-kg", "code: 1500g"),
    "strength turned round": Fault(AMPICILLIN, "made-up: [250 mg, 1.5 mL]", "made-up: [1.5 mL, 250 mg]", "how much substance in how much"),
    "unknown rounding": Fault(AMPICILLIN, "round: nearest", "round: up", "round is up"),
    "unknown route": Fault(AMPICILLIN, "route: intramuscular", "route: rectal", "route is rectal"),
    "injection without a place": Fault(AMPICILLIN, "site: outer-mid-thigh\n", "", "site is missing", "code: ampicillin"),
    "ATC with a slip": Fault(AMPICILLIN, "J01CA01", "J01CA1", "J01CA1 is no ATC code"),
    # Growth and texts
    "two of L, M, S": Fault(GROWTH, BOY, "[0.3487, 3.3464]", "a day is [L, M, S]"),
    "median of nothing": Fault(GROWTH, BOY, "[0.3487, 0, 0.14602]", "M (kg) and S above zero"),
    "spread of nothing": Fault(GROWTH, BOY, "[0.3487, 3.3464, 0]", "M (kg) and S above zero"),
    "a day in words": Fault(GROWTH, BOY, "first", "a day is [L, M, S]"),
    "no boys": Fault(GROWTH, "  male:", "  males:", "male is missing", "weight-for-age:"),
    "text that is a flag": Fault(EN, "sign.jaundice:", "sign.jaundice: true #", "sign.jaundice needs text"),
    "text in two files": Fault("translations/en/write.yaml", "days.many:", 'sign.jaundice: "x"\ndays.many:', "written in another file too"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_a_fault_is_found_where_it_stands(fault: Fault, tmp_path: Path) -> None:
    folder = copied(tmp_path, (fault.file, fault.old, fault.new))
    line = line_of(folder, fault.file, fault.at or fault.new.split("\n")[0])
    found = findings(folder)
    assert any(one.startswith(f"{fault.file}:{line}: ") and fault.says in one for one in found), (
        "\n".join(found)
    )


def test_all_faults_are_reported_at_once(tmp_path: Path) -> None:
    edits = [
        (HEAD, AGE, "age-below: 60"),
        (SIGNS, "from: 20 Cel", "from: 20"),
        (ROWS, "- unable-to-feed", "- unable-to-eat"),
        (AMPICILLIN, "round: nearest", "round: up"),
        (PLANS, "referral: only", "referral: maybe"),
    ]
    found = findings(copied(tmp_path, *edits))
    assert [one.partition(":")[0] for one in found] == sorted(file for file, _, _ in edits)


def test_an_empty_file_is_named(tmp_path: Path) -> None:
    folder = copied(tmp_path)
    (folder / "sick-young-infant" / SIGNS).write_text("# nothing yet\n", encoding="utf-8")
    assert findings(folder) == (
        "signs.yaml:1: the file is empty; write the content or remove the file",
    )


@pytest.mark.parametrize("file", [SIGNS, ROWS, PLANS, HEAD, SOURCES, GROWTH, AMPICILLIN, EN])
def test_a_file_that_is_no_mapping_is_named(file: str, tmp_path: Path) -> None:
    folder = copied(tmp_path)
    (folder / "sick-young-infant" / file).write_text("- a list\n", encoding="utf-8")
    assert any(one.startswith(f"{file}:1: a mapping is due here") for one in findings(folder))
