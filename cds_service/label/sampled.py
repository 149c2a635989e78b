"""A fixed set of infants, so that two contents can be compared by what they answer.

The set is only a sample: it shows what changes, not how often that happens in any clinic.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from itertools import groupby, product
from operator import itemgetter

from cds_service.case import NOWHERE, Age, Answer, Case, Finding, Measurement
from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.content.treatment import REFERRAL, Protocol
from cds_service.engine import decide
from cds_service.engine.dose import make_dose
from cds_service.engine.model import Decision, Dose, NoDose
from cds_service.engine.phrase import amount, number
from cds_service.engine.settle import settle
from cds_service.quantity import Quantity

_AT = datetime(2026, 1, 1, 12, tzinfo=UTC)
_AGES = (0, 3, 6, 7, 13, 20, 34, 59)
_WEIGHTS = tuple(Decimal(each) / 4 for each in range(5, 27))  # 1.25 to 6.5 kg
_TEMPERATURES = ("35.4", "37.0", "37.5", "38.0")
_BREATHS = (28, 45, 60)
_SAMPLED_AGES = (0, 6, 7, 34)


def doses_that_differ(old: Protocol, new: Protocol) -> Iterator[str]:
    """Which weights get another measured dose; ages with the same differences stand together."""
    ages: dict[tuple[str, tuple[str, ...]], list[int]] = {}
    for age in _AGES:
        before, after = _doses(old, age), _doses(new, age)
        for medicine in dict.fromkeys((*before, *after)):
            was, now = (doses.get(medicine, _NOTHING) for doses in (before, after))
            if told := tuple(_joined(zip(_WEIGHTS, map(_change, was, now), strict=True))):
                ages.setdefault((medicine, told), []).append(age)
    for (medicine, told), days in ages.items():
        yield f"{medicine}, age {', '.join(map(str, days))} days:"
        yield from (f"  {line}" for line in told)


_NO_DOSE = ("no dose", "")
_NOTHING = (_NO_DOSE,) * len(_WEIGHTS)


def _doses(protocol: Protocol, age: int) -> dict[str, tuple[tuple[str, str], ...]]:
    """Amount and form by medicine, for each of the weights."""
    facts = [settle(_infant(protocol, age, kg, "37.0", 45, ()), protocol) for kg in _WEIGHTS]
    return {
        render(protocol, Message(f"medicine.{medicine.code}")): tuple(
            _said(protocol, make_dose(medicine, known, kg))
            for kg, known in zip(_WEIGHTS, facts, strict=True)
        )
        for medicine in protocol.medicines
    }


def _said(protocol: Protocol, dose: Dose | NoDose) -> tuple[str, str]:
    if isinstance(dose, NoDose):
        return _NO_DOSE
    held = f"{render(protocol, amount(dose.amount))} = {render(protocol, amount(dose.contained))}"
    return held, render(protocol, Message(f"formulation.{dose.formulation.code}"))


def _change(was: tuple[str, str], now: tuple[str, str]) -> str:
    """From one amount and form to another; nothing when they are the same."""
    if was == now:
        return ""
    if was[0] == now[0]:
        return f"the same amount, now of {now[1]}"
    return " -> ".join(" of ".join(filter(None, dose)) for dose in (was, now))


def _joined(told: Iterable[tuple[Decimal, str]]) -> Iterator[str]:
    """Neighbouring weights with the same words together; those without words left out."""
    for words, group in groupby(told, key=itemgetter(1)):
        weights = [kg for kg, _ in group]
        if words:
            yield f"{_kg(weights[0], weights[-1])}: {words}"


def _kg(first: Decimal, last: Decimal) -> str:
    return f"{number(first)} kg" if first == last else f"{number(first)} to {number(last)} kg"


def infants_that_differ(old: Protocol, new: Protocol) -> Iterator[str]:
    """How many of the sampled infants get another class, referral or medicine."""
    cases = list(_infants(old, new))
    pairs = [(decide(case, old), decide(case, new)) for case in cases]
    for what, of in (("class", _classes), ("referral", _referral), ("medicine or dose", _orders)):
        other = sum(of(one) != of(two) for one, two in pairs)
        yield f"another {what}: {other} of {len(pairs)}"
    moves = Counter(
        f"{_only(one, two, old)} -> {_only(two, one, new)}"
        for one, two in pairs
        if _classes(one) != _classes(two)
    )
    yield from (f"{move}: {count}" for move, count in moves.most_common())


def _classes(decision: Decision) -> frozenset[str]:
    return frozenset(held.code for held in decision.assessment.classes)


def _only(one: Decision, other: Decision, protocol: Protocol) -> str:
    """The classes of one decision that the other lacks, in words.

    What is not asked of the severely ill goes when they become so: that is not told.
    """
    gone = _classes(one) - _classes(other)
    codes = [
        row.code
        for table in protocol.tables
        for row in table.rows
        if row.code in gone and not table.unless_severe
    ]
    return ", ".join(render(protocol, Message(f"class.{code}")) for code in codes) or "no class"


def _referral(decision: Decision) -> object:
    return decision.plan.choice, decision.plan.referral is not None


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
