"""A fixed set of infants, so that two contents can be compared by what they answer.

The set is only a sample: it shows what changes, not how often that happens in any clinic.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from itertools import product

from cds_service.case import NOWHERE, Age, Answer, Case, Finding, Measurement
from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.content.treatment import REFERRAL, Protocol
from cds_service.engine import decide
from cds_service.engine.dose import make_dose
from cds_service.engine.model import Decision, Dose
from cds_service.engine.phrase import amount, number
from cds_service.engine.settle import settle
from cds_service.quantity import Quantity

_AT = datetime(2026, 1, 1, 12, tzinfo=UTC)
_AGES = (0, 3, 6, 7, 13, 20, 34, 59)
_WEIGHTS = tuple(Decimal(each) / 4 for each in range(5, 27))  # 1.25 to 6.5 kg
_TEMPERATURES = ("35.4", "37.0", "37.5", "38.0")
_BREATHS = (28, 45, 60)
_SAMPLED_AGES = (0, 6, 7, 34)


def measured_doses(protocol: Protocol) -> dict[tuple[str, int], str]:
    """What is measured, by medicine and age: for which weights how much of what."""
    found: dict[tuple[str, int], str] = {}
    for age in _AGES:
        facts = [settle(_infant(protocol, age, kg, "37.0", 45, ()), protocol) for kg in _WEIGHTS]
        for medicine in protocol.medicines:
            name = render(protocol, Message(f"medicine.{medicine.code}"))
            doses = []
            for kg, known in zip(_WEIGHTS, facts, strict=True):
                made = make_dose(medicine, known, kg)
                doses.append((kg, _said(protocol, made) if isinstance(made, Dose) else "none"))
            found[name, age] = "; ".join(_joined(doses))
    return found


def _said(protocol: Protocol, dose: Dose) -> str:
    form = render(protocol, Message(f"formulation.{dose.formulation.code}"))
    return f"{render(protocol, amount(dose.amount))} of {form}"


def _joined(doses: Iterable[tuple[Decimal, str]]) -> Iterator[str]:
    first: Decimal | None = None
    last, words = Decimal(0), ""
    for kg, said in doses:
        if first is not None and said != words:
            yield f"{_kg(first, last)} {words}"
            first = None
        first, last, words = first if first is not None else kg, kg, said
    if first is not None:
        yield f"{_kg(first, last)} {words}"


def _kg(first: Decimal, last: Decimal) -> str:
    return f"{number(first)} kg" if first == last else f"{number(first)}-{number(last)} kg"


def infants_that_differ(old: Protocol, new: Protocol) -> Iterator[str]:
    """How many of the sampled infants get another class, referral or medicine."""
    cases = list(_infants(old, new))
    pairs = [(decide(case, old), decide(case, new)) for case in cases]
    for what, of in (("class", _classes), ("referral", _referral), ("medicine or dose", _orders)):
        other = sum(of(one) != of(two) for one, two in pairs)
        yield f"another {what}: {other} of {len(pairs)}"


def _classes(decision: Decision) -> object:
    return sorted(held.code for held in decision.assessment.classes)


def _referral(decision: Decision) -> object:
    return decision.plan.choice


def _orders(decision: Decision) -> object:
    return [(each.key, each.dose.amount, each.days) for each in decision.plan.orders]


def _infants(old: Protocol, new: Protocol) -> Iterator[Case]:
    """Each sign of either content alone, and none, at several ages and temperatures."""
    known = [sign.code for sign in old.signs if sign.code in new.sign_by_code]
    asked = [code for code in known if old.sign_by_code[code].required and code != REFERRAL]
    grid = product(_SAMPLED_AGES, ("3.0", "4.5"), _TEMPERATURES, _BREATHS, (None, *asked))
    for age, kg, temperature, breaths, sign in grid:
        signs = () if sign is None else (sign,)
        yield _infant(old, age, Decimal(kg), temperature, breaths, signs)


def _infant(
    protocol: Protocol,
    age: int,
    kg: Decimal,
    temperature: str,
    breaths: int,
    present: tuple[str, ...],
) -> Case:
    asked = [sign.code for sign in protocol.signs if sign.required]
    answers = dict.fromkeys(asked, Answer.NO) | dict.fromkeys(present, Answer.YES)
    answers |= {REFERRAL: Answer.NO}
    measured = (
        ("weight", Quantity(kg, "kg")),
        ("birth-weight", Quantity(max(kg, Decimal(3)), "kg")),
        ("temperature", Quantity.of(temperature, "Cel")),
        ("respiratory-rate", Quantity.of(breaths, "/min")),
        ("respiratory-rate", Quantity.of(breaths + 1, "/min")),
    )
    return Case(
        subject="Patient/sampled",
        as_of=_AT,
        visit_end=_AT,
        age=Age(age, age),
        sex="female",
        findings=tuple(Finding(code, said, _AT, NOWHERE) for code, said in answers.items()),
        measurements=tuple(Measurement(kind, value, None, NOWHERE) for kind, value in measured),
    )
