"""Random infants for Hypothesis, seen only through the clinical text's own words."""

import os
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

from hypothesis import given as hypothesis_given
from hypothesis import settings
from hypothesis import strategies as st

from cds_service.case import (
    Age,
    Answer,
    Case,
    Finding,
    GivenDose,
    Measurement,
    MedicineInUse,
    Origin,
)
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.cases import AS_OF, FURTHER, REQUIRED, SAFETY, SKIN, finding

EXAMPLES = int(os.environ.get("CDS_TEST_EXAMPLES", "40"))


def for_every(
    *strategies: st.SearchStrategy[Any],
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Run a test on many random values, the same ones each time (more: CDS_TEST_EXAMPLES)."""
    repeatable = settings(
        max_examples=EXAMPLES, deadline=None, derandomize="CDS_TEST_EXAMPLES" not in os.environ
    )
    return lambda test: repeatable(hypothesis_given(*strategies)(test))


MEDICINES = ("amoxicillin", "gentamicin", "ampicillin", "benzylpenicillin", "ceftriaxone")
FORMULATIONS = (
    "amoxicillin-suspension-125mg-5ml",
    "amoxicillin-suspension-250mg-5ml",
    "amoxicillin-dispersible-tablet-250mg",
    "amoxicillin-dispersible-tablet-125mg",
    "amoxicillin-tablet-250mg",
    "gentamicin-vial-20mg-2ml",
    "gentamicin-vial-80mg-2ml",
    "ampicillin-vial-250mg",
    "ampicillin-vial-500mg",
    "benzylpenicillin-vial-1million-iu",
    "ceftriaxone-vial-1g",
)
# Every sign whose YES is a danger sign of the bacterial table (A24, P20 seen; PB13 seen).
CRITICAL = ("convulsions", "unable-to-feed", "no-movement", *FURTHER)
SEVERE = ("feeding-poorly", "moves-only-when-stimulated", "severe-chest-indrawing", *SKIN)
DANGER = (*CRITICAL, *SEVERE)
POSSIBLE = ("referral-possible", "seven-injections-possible", "no-injections-possible")
DEHYDRATION = ("restless-irritable", "sunken-eyes", "skin-pinch-slow", "skin-pinch-very-slow")
OTHER = (
    *DEHYDRATION,
    "feeding-well",
    "moves-on-own",
    "feels-hot",
    "feels-cold",
    "little-urine",
    *SAFETY,
)
ASKED = tuple(dict.fromkeys((*REQUIRED, *DANGER, *OTHER, *POSSIBLE)))

minutes = st.sampled_from((0,) * 12 + (5, 10, 30, 60, 61, 300, 2880, 2881, 11000))


def decimals(low: str, high: str, places: int = 1) -> st.SearchStrategy[Decimal]:
    """Decimals between two values, with so many places."""
    return st.decimals(Decimal(low), Decimal(high), places=places)


def measured(
    kind: str,
    unit: str,
    values: st.SearchStrategy[Decimal],
    sites: tuple[str | None, ...] = (None,),
) -> st.SearchStrategy[Measurement]:
    """One measurement of a kind, at some time before the decision."""
    return st.builds(
        lambda value, ago, site: Measurement(
            kind,
            Quantity(value, unit),
            AS_OF - timedelta(minutes=ago),
            Origin(f"Observation/{kind}-{value}-{ago}"),
            site=site,
        ),
        values,
        minutes,
        st.sampled_from(sites),
    )


weights = measured(
    "weight",
    "kg",
    st.one_of(
        decimals("2.00", "5.99", 2),
        decimals("2.00", "5.99", 2),
        decimals("0.90", "2.00", 2),
        decimals("5.90", "8.50", 2),
        decimals("0.30", "99.00", 2),
    ),
)


def counted(low: str, high: str) -> st.SearchStrategy[Measurement]:
    """Breaths counted in a minute."""
    return measured("respiratory-rate", "/min", decimals(low, high, 0))


def some(
    values: st.SearchStrategy[Measurement], *how_many: int
) -> st.SearchStrategy[list[Measurement]]:
    """A list as long as one of these numbers."""
    lengths = st.sampled_from(how_many)
    return lengths.flatmap(lambda many: st.lists(values, min_size=many, max_size=many))


calm_breaths = some(counted("31", "59"), 1)
fast_breaths = some(counted("60", "75"), 2)
any_breaths = some(st.one_of(counted("56", "64"), counted("20", "90")), 0, 1, 2, 3)
temperatures = measured(
    "temperature",
    "Cel",
    st.one_of(decimals("35.5", "37.9"), decimals("35.5", "37.9"), decimals("33", "41")),
    (None, None, None, "axillary", "rectal", "oral", "ear"),
)
saturations = st.one_of(decimals("90", "100", 0), decimals("80", "100", 0))
measurements = st.tuples(
    some(weights, 1, 1, 1, 0, 2),
    some(measured("birth-weight", "kg", decimals("0.80", "5.00", 2)), 0, 1),
    some(temperatures, 1, 1, 1, 0, 2),
    st.one_of(calm_breaths, fast_breaths, fast_breaths, any_breaths),
    some(measured("oxygen-saturation", "%", saturations), 0, 1),
    some(measured("gestational-age", "wk", decimals("24", "42", 0)), 0, 1),
).map(lambda lists: tuple(one for found in lists for one in found))
LOCAL = ("umbilicus-red", "umbilicus-pus", "skin-pustules")
# Mostly nothing severe, then one severe or critical sign, then anything at all.
calm = st.lists(
    st.sampled_from((*OTHER, "umbilicus-red", "umbilicus-pus", "skin-pustules")), max_size=3
)
severe = st.lists(st.sampled_from(SEVERE), min_size=1, max_size=2)
critical = st.lists(st.sampled_from(CRITICAL), min_size=1, max_size=1)
nothing = st.just([])
beside = st.one_of(
    nothing,
    nothing,
    st.lists(st.sampled_from(("oral-thrush", "mother-hiv-positive")), min_size=1, max_size=2),
    st.lists(st.sampled_from(DEHYDRATION), max_size=3).map(lambda signs: ["diarrhoea", *signs]),
)
present = st.tuples(calm, beside, st.one_of(nothing, nothing, severe, critical)).map(
    lambda parts: [sign for part in parts for sign in part]
)
some_signs = st.lists(st.sampled_from(ASKED[: -len(POSSIBLE)]), max_size=4)
possibilities = st.tuples(*(st.sampled_from((Answer.YES, Answer.NO, None)) for _ in POSSIBLE)).map(
    lambda said: tuple(
        finding(code, answer)
        for code, answer in zip(POSSIBLE, said, strict=True)
        if answer is not None
    )
)
answered = st.builds(
    lambda asked, yes, no, unasked: tuple(
        finding(code, Answer.YES if code in yes else Answer.NO)
        for code in ASKED[: -len(POSSIBLE)]
        if code in yes or (code not in unasked and (asked or code in no))
    ),
    st.sampled_from((True, True, True, False)),
    present,
    some_signs,
    st.one_of(st.just([]), some_signs),
)
doubled = st.lists(
    st.builds(finding, st.sampled_from(ASKED), st.sampled_from((Answer.YES, Answer.NO)), minutes),
    max_size=2,
).map(tuple)
doubled = st.one_of(st.just(()), st.just(()), doubled)
ages = st.one_of(
    st.integers(0, 59).map(lambda day: Age(day, day)),
    st.integers(0, 59).map(lambda day: Age(day, day)),
    st.integers(0, 59).map(lambda day: Age(day, day)),
    st.tuples(st.integers(0, 59), st.integers(0, 9)).map(
        lambda span: Age(span[0], min(span[0] + span[1], 62))
    ),
    st.none(),
)
exact_ages = st.integers(0, 59).map(lambda day: Age(day, day))
given = st.lists(
    st.builds(
        lambda medicine, ago: GivenDose(
            medicine,
            None if ago is None else AS_OF - timedelta(minutes=ago),
            Origin(f"MedicationAdministration/{medicine}-{ago}"),
        ),
        st.sampled_from(MEDICINES),
        st.one_of(st.none(), st.integers(0, 6000)),
    ),
    max_size=2,
).map(tuple)
in_use = st.lists(
    st.sampled_from(MEDICINES).map(
        lambda code: MedicineInUse(code, Origin(f"MedicationRequest/{code}"))
    ),
    max_size=1,
).map(tuple)
stocks = st.one_of(st.none(), st.none(), st.none(), st.frozensets(st.sampled_from(FORMULATIONS)))


@st.composite
def infants(draw: st.DrawFn, ages: st.SearchStrategy[Age | None] = ages) -> Case:
    """Any infant the outside world may send: complete or not, plausible or not."""
    return Case(
        subject="Patient/random",
        as_of=AS_OF,
        visit_end=AS_OF + timedelta(hours=6),
        age=draw(ages),
        sex=draw(st.sampled_from(("male", "female", None))),
        findings=(*draw(answered), *draw(possibilities), *draw(doubled)),
        measurements=draw(measurements),
        given=draw(given),
        in_use=draw(in_use),
        stock=draw(stocks),
    )


@st.composite
def complete_infants(draw: st.DrawFn) -> Case:
    """An infant of whom everything required is known, once and without contradiction."""
    said = draw(present)
    rates = draw(st.sampled_from((st.integers(31, 59), st.integers(60, 75), st.integers(20, 90))))
    values = {
        "weight": ("kg", draw(decimals("1.00", "7.99", 2))),
        "temperature": ("Cel", draw(st.one_of(decimals("35.5", "37.9"), decimals("35.0", "38.5")))),
    }
    measured = [
        Measurement(kind, Quantity(value, unit), AS_OF, Origin(f"Observation/{kind}"))
        for kind, (unit, value) in values.items()
    ]
    for place, count in enumerate((draw(rates), draw(rates))):
        at = AS_OF - timedelta(minutes=20 - 10 * place)
        quantity = Quantity(Decimal(count), "/min")
        measured.append(
            Measurement("respiratory-rate", quantity, at, Origin(f"Observation/rate-{place}"))
        )
    return Case(
        subject="Patient/complete",
        as_of=AS_OF,
        visit_end=AS_OF + timedelta(hours=6),
        age=draw(exact_ages),
        sex=draw(st.sampled_from(("male", "female"))),
        findings=tuple(finding(code, Answer.YES if code in said else Answer.NO) for code in ASKED),
        measurements=tuple(measured),
    )


def with_finding(case: Case, code: str, answer: Answer) -> Case:
    """The same infant, with one more answer."""
    return replace(
        case, findings=(*case.findings, Finding(code, answer, AS_OF, Origin("Observation/more")))
    )
