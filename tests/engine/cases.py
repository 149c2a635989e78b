"""Turn a case that a clinician wrote (tests/cases/<protocol-id>/*.yaml) into a Case.

The format is explained in tests/cases/README.md. Times are told backwards from the moment of
the decision ("10 h ago"); what is said without a time is of this moment.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import yaml

from cds_service.case import (
    Age,
    Answer,
    Case,
    EarlierClass,
    Finding,
    GivenDose,
    Measurement,
    MedicineInUse,
    MissedDose,
    Origin,
)
from cds_service.quantity import Quantity, convertible

FOLDER = Path(__file__).parents[1] / "cases" / "sick-young-infant"
AS_OF = datetime(2024, 5, 2, 10, 0, tzinfo=timezone(timedelta(hours=2)))

# The signs that complete the bacterial and the local table ("R" in section 1 of the content:
# A24, P20 seen; the last three ETH seen).
REQUIRED = (
    "convulsions",
    "unable-to-feed",
    "feeding-poorly",
    "no-movement",
    "moves-only-when-stimulated",
    "severe-chest-indrawing",
    "umbilicus-red",
    "umbilicus-pus",
    "skin-pustules",
    # Jaundice and diarrhoea tables; feeding and HIV, which can wait (section 1, ETH seen; CB14).
    "jaundice",
    "diarrhoea",
    "oral-thrush",
    "poor-attachment",
    "ineffective-suckling",
    "other-foods-or-drinks",
    "not-breastfed",
    "feeds-fewer-than-8",
    "mother-hiv-positive",
)
# What else may be asked (section 1): the further critical signs (P20 seen, or memory), the
# two hospital signs of the skin (PB13 seen), and what makes a medicine safe or possible.
FURTHER = (
    "convulsing-now",
    "unconscious",
    "unable-to-cry",
    "bulging-fontanelle",
    "central-cyanosis",
    "apnoea",
    "persistent-vomiting",
    "major-bleeding",
    "malformation-preventing-feeding",
    "surgical-condition",
)
SKIN = ("umbilical-redness-spreading", "severe-pustules")
SAFETY = (
    "penicillin-allergy",
    "cephalosporin-allergy",
    "aminoglycoside-allergy",
    "kidney-problem",
    "calcium-infusion",
    "jaundice",
    "drug-reaction",
)
# Asked only when the first is present (section 1).
THEN_ASKED = {
    "jaundice": ("jaundice-first-day", "palms-or-soles-yellow"),
    "diarrhoea": (
        "restless-irritable",
        "sunken-eyes",
        "skin-pinch-slow",
        "skin-pinch-very-slow",
        "blood-in-stool",
        "diarrhoea-14-days",
    ),
}
_MEASURES = {
    "weight": ("weight", "kg"),
    "birth weight": ("birth-weight", "kg"),
    "temperature": ("temperature", "Cel"),
    "breaths": ("respiratory-rate", "/min"),
    "oxygen": ("oxygen-saturation", "%"),
    "gestation": ("gestational-age", "wk"),
    "glucose": ("blood-glucose", "mmol/L"),
}
_INFANT = {
    "age",
    "sex",
    "signs",
    "absent",
    "unasked",
    "both",
    "yes before",
    "yes 5 days ago",
    "absent 3 days ago",
    "everything else asked",
    "vomited",
    *_MEASURES,
}
# YAML reads a bare yes or no as true or false.
_SAID = {True: "yes", False: "no"}
_ASKED = {
    "referral possible": "referral-possible",
    "seven injections possible": "seven-injections-possible",
    "no injections possible": "no-injections-possible",
}
_CASE = {
    "case",
    "source",
    "infant",
    "earlier",
    "given",
    "missed",
    "already on",
    "in stock",
    "expect",
    *_ASKED,
}
_TOLD = re.compile(
    r"(?P<value>[\d.]+)(?: (?P<unit>(?!rectal|oral|axillary|ear)[^\d ]\S*))?"
    r"(?: (?P<ago>[\d.]+) (?P<ago_unit>min|h|d) ago)?(?: (?P<site>[a-z]+))?"
)


@dataclass(frozen=True)
class Told:
    """One case as written: what is known of the infant, and what the text says must follow."""

    name: str
    source: str
    case: Case
    expect: Mapping[str, Any]


def every_case(folder: Path = FOLDER) -> Iterator[Told]:
    """Every case of every file of the folder; raises ValueError for a word we do not know."""
    for path in sorted(folder.glob("*.yaml")):
        for written in yaml.load(path.read_bytes(), yaml.CSafeLoader):
            yield read(written, path.stem)


def read(written: Mapping[str, Any], stem: str = "") -> Told:
    """Read one written case."""
    _known(written, _CASE, written["case"])
    infant = written["infant"]
    _known(infant, _INFANT, written["case"])
    return Told(
        f"{stem}: {written['case']}",
        written["source"],
        _case(written, infant),
        {
            word: _SAID.get(value, value) if isinstance(value, bool) else value
            for word, value in written["expect"].items()
        },
    )


def ago(text: str) -> datetime:
    """The moment that "10 h ago" means.

    >>> ago("90 min ago").isoformat()
    '2024-05-02T08:30:00+02:00'
    """
    number, unit = text.removesuffix(" ago").split()
    return AS_OF - timedelta(minutes=_minutes(number, unit))


def _minutes(number: str, unit: str) -> int:
    return int(Decimal(number) * {"min": 1, "h": 60, "d": 1440}[unit])


def _known(written: Mapping[str, Any], words: set[str], where: str) -> None:
    if strange := set(written) - words:
        raise ValueError(f"{where}: not a word of the format: {sorted(strange)}")


def _case(written: Mapping[str, Any], infant: Mapping[str, Any]) -> Case:
    stock = written.get("in stock")
    return Case(
        subject="Patient/told",
        as_of=AS_OF,
        visit_end=AS_OF + timedelta(hours=6),
        age=_age(infant.get("age")),
        sex=infant.get("sex", "female"),
        findings=(*_findings(infant), *_circumstances(written), *_vomited(written, infant)),
        measurements=tuple(
            one for word in _MEASURES if word in infant for one in _measured(word, infant[word])
        ),
        given=tuple(_given(given) for given in written.get("given", [])),
        missed=tuple(MissedDose(*_given(one)[:3]) for one in written.get("missed", [])),
        earlier=tuple(_earlier(one) for one in written.get("earlier", [])),
        in_use=tuple(MedicineInUse(code, Origin()) for code in written.get("already on", [])),
        stock=None if stock is None else frozenset(stock),
    )


def _age(text: str | None) -> Age | None:
    """ "12 d" is exact, "6-7 d" a span, "20 h" exact to the hour; None: not known."""
    if text is None:
        return None
    if text.endswith(" h"):
        hours = int(text.removesuffix(" h"))
        days = (AS_OF.date() - (AS_OF - timedelta(hours=hours)).date()).days
        return Age(days, days, hours=(hours, hours))
    low, _, high = text.removesuffix(" d").partition("-")
    return Age(int(low), int(high or low))


def _findings(infant: Mapping[str, Any]) -> Iterator[Finding]:
    signs = infant.get("signs", "none")
    yes = [] if signs == "none" else list(signs)
    asked = [*REQUIRED]
    if infant.get("everything else asked"):
        asked += [*FURTHER, *SKIN, *SAFETY]
    asked += [then for code in yes for then in THEN_ASKED.get(code, ()) if then not in asked]
    silent = {*yes, *infant.get("unasked", []), *infant.get("absent", [])}
    for code in [*yes, *infant.get("both", [])]:
        yield finding(code, Answer.YES)
    for code in infant.get("yes before", []):
        yield finding(code, Answer.YES, minutes=30)
    for code in infant.get("yes 5 days ago", []):
        yield finding(code, Answer.YES, minutes=5 * 1440)
    for code in infant.get("absent 3 days ago", []):
        yield finding(code, Answer.NO, minutes=3 * 1440)
    for code in [*(code for code in asked if code not in silent), *infant.get("absent", [])]:
        yield finding(code, Answer.NO)
    for code in infant.get("both", []):
        if code not in REQUIRED:
            yield finding(code, Answer.NO)


def finding(code: str, answer: Answer, minutes: int = 0) -> Finding:
    """One answer, given so many minutes before the decision."""
    origin = Origin(f"Observation/{code}-{answer.value}-{minutes}")
    return Finding(code, answer, AS_OF - timedelta(minutes=minutes), origin)


def _circumstances(written: Mapping[str, Any]) -> Iterator[Finding]:
    """What is possible for this family; left out means not asked."""
    for words, code in _ASKED.items():
        if words in written:
            yield finding(code, {True: Answer.YES, False: Answer.NO}[written[words]])


def _vomited(written: Mapping[str, Any], infant: Mapping[str, Any]) -> Iterator[Finding]:
    """ "8 min" after the dose of the same place in `given`, or "at an unknown time"."""
    doses = [_given(one).at for one in written.get("given", [])]
    for place, after in enumerate(infant.get("vomited", [])):
        origin = Origin(f"Observation/vomited-{place}")
        at = None
        if after != "at an unknown time":
            number, unit = after.split()
            dose = doses[place]
            assert dose is not None
            at = dose + timedelta(minutes=_minutes(number, unit))
        yield Finding("vomited-after-dose", Answer.YES, at, origin)


def _measured(word: str, told: Any) -> Iterator[Measurement]:
    """One value or a list; values in a list without a time were taken ten minutes apart."""
    values = told if isinstance(told, list) else [told]
    for place, value in enumerate(reversed(values)):
        yield measurement(word, str(value), minutes=10 * place)


def measurement(word: str, text: str, minutes: int = 0) -> Measurement:
    """Read "3.4 kg", "3.4 kg 50 h ago", "37.9 Cel rectal", "64" or "64 90 min ago"."""
    kind, unit = _MEASURES[word]
    told = _TOLD.fullmatch(text)
    if told is None:
        raise ValueError(f"not a measured value: {text}")
    if told["ago"]:
        minutes = _minutes(told["ago"], told["ago_unit"])
    quantity = Quantity.of(told["value"], told["unit"] or unit)
    quantity = quantity.to(unit) if convertible(quantity.unit, unit) else quantity
    origin = Origin(f"Observation/{kind}-{quantity.value}-{minutes}")
    at = AS_OF - timedelta(minutes=minutes)
    return Measurement(kind, quantity, at, origin, site=told["site"])


def _earlier(told: str) -> EarlierClass:
    """ "pneumonia 3 d ago", or "pneumonia at an unknown time"."""
    code, _, when = told.partition(" ")
    at = None if when == "at an unknown time" else ago(when)
    return EarlierClass(code, at, Origin(f"Condition/{code}-{when[:2].strip()}"))


def _given(told: str) -> GivenDose:
    """ "gentamicin 10 h ago", or "gentamicin at an unknown time"."""
    medicine, _, when = told.partition(" ")
    at = None if when == "at an unknown time" else ago(when)
    return GivenDose(
        medicine, at, Origin(f"MedicationAdministration/{medicine}-{when[:2].strip()}")
    )
