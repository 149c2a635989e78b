"""Orders that are drafted and not signed: read to be judged, never used as facts.

Stricter than the reading of the record: a medicine is only one of the protocol's when its code says
so, or its name and nothing beside it. "Amoxicillin / clavulanic acid" is not amoxicillin.
"""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from msgspec import UNSET, Raw, UnsetType

from cds_service.engine.check_model import DraftOrder
from cds_service.fhir import read_course, terms
from cds_service.fhir.codes import ATC, DOSE_RATE_TYPE
from cds_service.fhir.context import Context
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.read_product import certain, formulation, held_in, product, strength_of
from cds_service.fhir.references import Subject
from cds_service.fhir.wire import Concept, Wire, decode, decoder
from cds_service.fhir.wire_resources import (
    DoseAndRate,
    MedicationRequest,
    Repeat,
    Timing,
)
from cds_service.quantity import Quantity as Amount


class _Repeat(Repeat, kw_only=True):
    count: int | UnsetType = UNSET
    count_max: Raw | UnsetType = UNSET
    bounds_range: Raw | UnsetType = UNSET
    duration: Raw | UnsetType = UNSET
    frequency_max: Raw | UnsetType = UNSET
    period_max: Raw | UnsetType = UNSET
    day_of_week: Raw | UnsetType = UNSET
    offset: Raw | UnsetType = UNSET


class _Timing(Timing, kw_only=True):
    repeat: _Repeat | UnsetType = UNSET


class _DoseAndRate(DoseAndRate, kw_only=True):
    dose_range: Raw | UnsetType = UNSET
    rate_ratio: Raw | UnsetType = UNSET
    rate_range: Raw | UnsetType = UNSET
    rate_quantity: Raw | UnsetType = UNSET


class _Dosage(Wire, kw_only=True):
    timing: _Timing | UnsetType = UNSET
    dose_and_rate: list[_DoseAndRate] | UnsetType = UNSET
    as_needed_boolean: bool | UnsetType = UNSET
    as_needed_codeable_concept: Raw | UnsetType = UNSET
    modifier_extension: Raw | UnsetType = UNSET


class _Drafted(Wire, kw_only=True):
    dosage_instruction: list[_Dosage] | UnsetType = UNSET


_DRAFTED = decoder(_Drafted)
_OTHER_TIMES = (
    "count_max", "bounds_range", "duration", "frequency_max", "period_max", "day_of_week", "offset",
)  # fmt: skip
_MOST_DOSES = 10_000
"""Of one order; a larger count is none that says for how many days it is."""
_OTHER_DOSES = ("dose_range", "rate_ratio", "rate_range", "rate_quantity")


Drafts = Sequence[tuple[Sent[MedicationRequest], Raw, bool]]
"""Orders with their texts, and whether each is selected."""


def read_drafts(
    drafts: Drafts,
    subject: Subject,
    context: Context,
) -> tuple[DraftOrder, ...]:
    """Every draft, with its text and whether it is selected; raises MalformedRequest."""
    apart = Context(context.lookup, context.visit, context.medications, Facts())
    return tuple(_draft(*each, subject, apart) for each in drafts)


def _draft(
    sent: Sent[MedicationRequest], raw: Raw, selected: bool, subject: Subject, context: Context
) -> DraftOrder:
    order = sent.resource
    concept, words = product(sent, context)
    medicine = _medicine(concept, words, context)
    forms = context.lookup.protocol.medicine_by_code[medicine].formulations if medicine else ()
    strength = strength_of(sent, context)
    form = formulation(concept, strength, forms)
    dosages = decode(_DRAFTED, raw, sent.origin.expression).dosage_instruction
    dosage = _Dosage() if dosages is UNSET or len(dosages) != 1 else dosages[0]
    amount, contained, dose_unclear = _dose(dosage)
    if contained is None and amount is not None and strength is not None:
        contained = held_in(amount, strength)
    timing = _Timing() if dosage.timing is UNSET else dosage.timing
    repeat = _Repeat() if timing.repeat is UNSET else timing.repeat
    a_day, days, once = _when(timing, repeat)
    why = subject.why_not(sent)
    unclear = {
        "rules": order.has_unknown_rules() or dosage.modifier_extension is not UNSET,
        "do-not-perform": order.do_not_perform is True,
        "dosage": _is_conditional(dosage) or (dosages is not UNSET and len(dosages) > 1),
        "dose": dose_unclear,
        "timing": any(getattr(repeat, name) is not UNSET for name in _OTHER_TIMES),
    }
    return DraftOrder(
        reference=sent.own,
        medicine=medicine,
        formulation=form,
        amount=amount,
        contained=contained,
        a_day=a_day,
        days=days,
        once=once,
        signs=context.lookup.medicine_signs(concept, words),
        unclear=tuple(part for part, holds in unclear.items() if holds),
        other_patient=why in ("subject-missing", "subject-other"),
        selected=selected,
    )


def _is_conditional(dosage: _Dosage) -> bool:
    asked = dosage.as_needed_codeable_concept is not UNSET
    return asked or dosage.as_needed_boolean is True


def _medicine(concept: Concept, words: str, context: Context) -> str:
    """The medicine that the codes say, or the name alone when there is no ATC code; or ""."""
    lookup = context.lookup
    coded = [each.code for each in concept.codings() if each.system == ATC]
    own = [
        lookup.by_formulation.get(str(each.code), "")
        for each in concept.codings()
        if terms.is_own(each.system, terms.FORMULATION)
    ]
    found = {lookup.by_atc.get(str(code), "") for code in coded} | set(own)
    if found:
        return found.pop() if len(found) == 1 else ""
    texts = lookup.protocol.text_by_key
    said = {words.strip().lower()}
    said |= {"" if concept.text is UNSET else concept.text.strip().lower()}
    said |= {str(each.display).lower() for each in concept.codings() if each.display is not UNSET}
    named = said - {""}
    matches = [
        one.code
        for one in lookup.protocol.medicines
        if named == {texts[f"medicine.{one.code}"].lower()}
    ]
    return matches[0] if matches else ""


def _dose(dosage: _Dosage) -> tuple[Amount | None, Amount | None, bool]:
    """What is measured out, what is said to be in it, and whether it is not certain."""
    each = [] if dosage.dose_and_rate is UNSET else dosage.dose_and_rate
    if any(getattr(one, name) is not UNSET for one in each for name in _OTHER_DOSES):
        return None, None, True
    if len(each) > 2 or len({_kind(one) for one in each}) < len(each):
        return None, None, True
    amounts = [None if one.dose_quantity is UNSET else certain(one.dose_quantity) for one in each]
    if None in amounts:
        return None, None, True
    known = [found for found in amounts if found is not None]
    held = [found for found in known if read_course.is_content(found)]
    measured = [found for found in known if not read_course.is_content(found)]
    if len(held) > 1 or len(measured) > 1:
        return None, None, True
    return next(iter(measured), None), next(iter(held), None), False


def _kind(one: _DoseAndRate) -> str:
    codings = [] if one.type is UNSET else one.type.codings()
    return next((str(c.code) for c in codings if c.system == DOSE_RATE_TYPE), "")


def _when(timing: _Timing, repeat: _Repeat) -> tuple[int | None, int | None, bool]:
    """Times a day, days, and whether it is one dose only."""
    a_day, days = read_course.a_day(timing, repeat), read_course.days(repeat)
    count = None if repeat.count is UNSET else repeat.count
    if count == 1 and days is None:
        return a_day, None, True
    if count is not None and 0 < count <= _MOST_DOSES and a_day is not None and days is None:
        whole, rest = divmod(Decimal(count), a_day)
        return a_day, None if rest else int(whole), False
    return a_day, days, False


def names_of(drafts: Sequence[DraftOrder]) -> Iterator[str]:
    """The drafts as text, for the name of an answer: every part that the check looks at."""
    for each in drafts:
        told = [str(part) if isinstance(part, Amount) else part for part in each]
        yield repr(told)
