"""From kilograms to something that can be measured: one dose of one medicine.

Every dose is checked three times: the target per kilogram against its declared range, what is
really given (amount x strength) against the declared range after rounding or of its cell, and
against the ceilings. A dose that fails is not given; the reason is (design, decision 8).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from cds_service.case import Answer
from cds_service.content.medicine import (
    Band,
    Contraindication,
    DoseRule,
    Formulation,
    Medicine,
    PerKg,
)
from cds_service.content.model import Cite, Message, Number
from cds_service.content.treatment import Protocol
from cds_service.engine.ages import lifted
from cds_service.engine.assessment_model import Caution, Test
from cds_service.engine.conditions import evaluate, holds
from cds_service.engine.dose_notes import far_from_target, notes, printed
from cds_service.engine.facts import Facts
from cds_service.engine.model import Dose, NoDose
from cds_service.engine.phrase import between, number, unit_name
from cds_service.engine.trace import reasons
from cds_service.engine.words import listed, reading, said
from cds_service.quantity import Quantity, plain, to_step

OPEN = frozenset({"no-weight", "rule-open"})
"""Codes of a NoDose that say only that something is not known yet."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One formulation tried: the amount, the limits per kg it must meet, who says so.

    A fixed amount has neither limits nor a target per kilogram.
    """

    form: Formulation
    amount: Quantity
    limits: tuple[Number, Number] | None
    target: Number | None
    rule: str
    words: Message
    cite: Cite
    caution: str = ""


def make_dose(
    medicine: Medicine, facts: Facts, kg: Decimal | None, *, only: str = ""
) -> Dose | NoDose:
    """The dose of `medicine` for an infant of `kg` kilograms, or why there is none.

    Without a weight (None) only a rule with a fixed amount gives a dose. `only`: made of this
    formulation, whatever is in stock.
    """
    if facts.any_yes(medicine.avoid_with):
        signs = tuple(code for code in medicine.avoid_with if facts.is_yes(code))
        return _no(medicine, "allergy", signs=signs)
    for item in medicine.contraindications:
        if holds(item.when, facts):
            return _contraindicated(medicine, item, facts)
    offered = medicine.offered_when
    if offered is not None and (answer := evaluate(offered, facts)) is not Answer.YES:
        return _no(medicine, "not-offered", missing=reasons(offered, facts, answer))
    rule = _rule(medicine, facts)
    if not isinstance(rule, DoseRule):
        return rule
    if rule.fixed:
        return _first_that_passes(medicine, rule, None, facts, kg, only)
    if kg is None:
        return _no(medicine, "no-weight")
    band = _band(rule, kg)
    if rule.bands and band is None:
        return _no(medicine, "below-the-table", ("weight", reading(Quantity(kg, "kg"))))
    return _first_that_passes(medicine, rule, band, facts, kg, only)


def unsafe_next(medicine: Medicine, due: datetime, facts: Facts) -> NoDose | None:
    """Why a dose that is due now, and is not the first, is not given; None when it may be."""
    if due > facts.case.as_of:
        return None
    forbidding = (item for item in medicine.before_next if holds(item.when, facts))
    return next((_contraindicated(medicine, item, facts) for item in forbidding), None)


def dose_of(medicine: Medicine, facts: Facts, kg: Decimal | None) -> Dose | NoDose:
    """`make_dose` with all that is in stock; made once for these facts and their weight."""
    dose = facts.doses.get(medicine.code)
    if dose is None:
        dose = facts.doses[medicine.code] = make_dose(medicine, facts, kg)
    return dose


def not_met(no: NoDose) -> Message | None:
    """Which of its conditions are not met, or are not known and to be found out."""
    if not no.missing:
        return None
    is_open = any(test.answer is Answer.NOT_ASSESSED for test in no.missing)
    facts = listed(tuple(test.what for test in no.missing))
    return Message("no-dose.ask" if is_open else "no-dose.not-met", (("facts", facts),))


def _contraindicated(medicine: Medicine, item: Contraindication, facts: Facts) -> NoDose:
    span = lifted(item.when, facts) if item.waits else None
    begins = None if span is None else span.last
    no = _no(medicine, item.code, *numbers(item, facts))
    return no._replace(severity=item.severity, begins=begins)


def numbers(item: Contraindication, facts: Facts) -> tuple[tuple[str, str | Message], ...]:
    """What the words of a contraindication name; of one that waits for an age also the day."""
    named = tuple((name, said(value)) for name, value in item.values)
    if not item.waits:
        return named
    span = lifted(item.when, facts)
    return (*named, ("due", Message("day-open") if span is None else between(*span)))


def _no(
    medicine: Medicine,
    code: str,
    *values: tuple[str, str | Message],
    missing: tuple[Test, ...] = (),
    signs: tuple[str, ...] = (),
) -> NoDose:
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    return NoDose(medicine.code, code, Message(f"no-dose.{code}", (name, *values)), missing, signs)


def _rule(medicine: Medicine, facts: Facts) -> DoseRule | NoDose:
    """The first rule that holds; one that is still open above it stops the dose."""
    for rule in medicine.rules:
        answer = Answer.YES if rule.when is None else evaluate(rule.when, facts)
        if answer is Answer.YES:
            return rule
        if answer is Answer.NOT_ASSESSED and rule.when is not None:
            open_tests = reasons(rule.when, facts, Answer.NOT_ASSESSED)
            reason = _no(medicine, medicine.if_open).reason
            return _no(medicine, "rule-open", missing=open_tests)._replace(reason=reason)
    return _no(medicine, "no-rule")


def _band(rule: DoseRule, kg: Decimal) -> Band | None:
    for band in rule.bands:
        if band.low.value <= kg and (band.high is None or kg < band.high.value):
            return band
    return None


def _first_that_passes(
    medicine: Medicine,
    rule: DoseRule,
    band: Band | None,
    facts: Facts,
    kg: Decimal | None,
    only: str,
) -> Dose | NoDose:
    prefer = band.prefer if band is not None and band.prefer else medicine.prefer
    stock = frozenset({only}) if only else facts.case.stock
    in_stock = [code for code in prefer if stock is None or code in stock]
    if not in_stock:
        return _no(medicine, "not-in-stock")
    # A dose depends on the content, the rule, the weight and the form alone: it is made once.
    memo, key = facts.protocol.memo, ("dose", medicine.code, rule.code, kg, tuple(in_stock))
    made: Dose | NoDose | None = memo[key]
    if made is None:
        made = memo[key] = _make(medicine, rule, band, facts.protocol, kg, in_stock)
    return made


def _make(
    medicine: Medicine,
    rule: DoseRule,
    band: Band | None,
    protocol: Protocol,
    kg: Decimal | None,
    codes: list[str],
) -> Dose | NoDose:
    failed: NoDose | None = None
    for code in codes:
        form = medicine.formulation(code)
        if kg is None or rule.fixed:  # without a weight the rule has fixed amounts (make_dose)
            candidate = _fixed(form, rule, medicine)
        else:
            candidate = _candidate(form, rule, band, medicine, kg)
        failed = _fault(medicine, candidate, kg)
        if failed is None:
            return _dose(medicine, candidate, protocol, kg)
    return failed or _no(medicine, "no-rule")


def _fixed(form: Formulation, rule: DoseRule, medicine: Medicine) -> _Candidate:
    amount = dict(rule.fixed)[form.code]
    words = Message(f"rule.{medicine.code}.{rule.code}")
    return _Candidate(form, amount.quantity, None, None, rule.code, words, amount.cite)


def _candidate(
    form: Formulation, rule: DoseRule, band: Band | None, medicine: Medicine, kg: Decimal
) -> _Candidate:
    for cell in band.cells if band is not None else ():
        if cell.formulation == form.code and band is not None:
            amount = Quantity(cell.amount.value, cell.amount.unit)
            return _Candidate(
                form,
                amount,
                (cell.low, cell.high),
                medicine.target,
                band.code,
                _band_words(band),
                cell.amount.cite,
            )
    per_kg = band.per_kg if band is not None else rule.per_kg
    if per_kg is None:
        raise ValueError(f"{medicine.code}: {rule.code} gives no dose")  # refused by the loader
    source = rule if band is None else band
    words = Message(f"rule.{medicine.code}.{rule.code}") if band is None else _band_words(band)
    return _Candidate(
        form,
        _measured(form, per_kg, kg),
        (per_kg.rounded_low, per_kg.rounded_high),
        per_kg.target,
        source.code,
        words,
        per_kg.target.cite,
        band.caution if band is not None else "",
    )


def _band_words(band: Band) -> Message:
    low = ("low", str(band.low.quantity))
    if band.high is None:
        return Message("rule.band-open", (low,))
    return Message("rule.band", (low, ("high", str(band.high.quantity))))


def _measured(form: Formulation, per_kg: PerKg, kg: Decimal) -> Quantity:
    step = per_kg.step or form.step
    exact = form.amount_for(per_kg.target.value * kg)
    return Quantity(to_step(exact, step.value, per_kg.rounding), form.per.unit)


def _fault(medicine: Medicine, candidate: _Candidate, kg: Decimal | None) -> NoDose | None:
    """The check that the candidate fails, if any (design, decision 8)."""
    given = candidate.form.contained(candidate.amount).value
    if candidate.amount.value <= 0:
        return _failed(medicine, "too-small-to-measure", candidate, given)
    if kg is not None and _is_outside(medicine, candidate, given / kg):
        return _failed(medicine, "outside-range", candidate, given)
    if medicine.ceiling is not None and given > medicine.ceiling.value:
        return _failed(medicine, "above-ceiling", candidate, given)
    return None


def _is_outside(medicine: Medicine, candidate: _Candidate, per_kg: Decimal) -> bool:
    if medicine.hard_max is not None and per_kg > medicine.hard_max.value:
        return True
    if candidate.limits is None:
        return False
    low, high = candidate.limits
    return not low.value <= per_kg <= high.value


def _failed(medicine: Medicine, code: str, candidate: _Candidate, given: Decimal) -> NoDose:
    unit = unit_name(candidate.form.substance.unit)
    values: tuple[tuple[str, str | Message], ...] = (
        ("given", f"{number(printed(given))} {unit}"),
        ("unit", unit),
    )
    low, high = candidate.limits or (None, medicine.hard_max)
    for name, limit in (("low", low), ("high", high)):
        values = (*values, (name, "0" if limit is None else number(limit.value)))
    if medicine.ceiling is not None:
        values = (*values, ("ceiling", str(medicine.ceiling.quantity)))
    return _no(medicine, code, *values)


def _dose(
    medicine: Medicine, candidate: _Candidate, protocol: Protocol, kg: Decimal | None
) -> Dose:
    form, unit = candidate.form, candidate.form.substance.unit
    given, aim = form.contained(candidate.amount), candidate.target
    target = None if aim is None or kg is None else Quantity(plain(aim.value * kg), unit)
    return Dose(
        medicine=medicine,
        formulation=form,
        rule=candidate.rule,
        rule_words=candidate.words,
        amount=candidate.amount,
        contained=Quantity(printed(given.value), unit),
        per_kg=None if kg is None else given.value / kg,
        weight=None if kg is None else Quantity(kg, "kg"),
        target=target,
        target_rule="" if aim is None else f"{number(aim.value)} {unit_name(unit)}/kg",
        cite=candidate.cite,
        notes=notes(protocol, form, given, target),
        cautions=(
            *far_from_target(protocol, medicine, form, given, target),
            *_cautions(medicine, candidate),
        ),
    )


def _cautions(medicine: Medicine, candidate: _Candidate) -> Iterator[Caution]:
    name = ("medicine", Message(f"medicine.{medicine.code}"))
    if candidate.caution:
        message = Message(f"caution.{candidate.caution}", (name,))
        yield Caution(candidate.caution, "moderate", message, medicine=medicine.code)
    volume, unit = candidate.amount.value, candidate.amount.unit
    if medicine.senior_above is not None and volume > medicine.senior_above.value:
        large = (("volume", f"{number(volume)} {unit}"), name)
        message = Message("caution.large-injection", large)
        yield Caution("large-injection", "high", message, medicine=medicine.code)
