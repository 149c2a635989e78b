"""Decisions built by hand, for the tests of what is written from a Decision.

Nothing here is clinical truth: numbers only have to be well-formed, and are those of the packaged
content wherever that has them.
"""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from functools import cache

from cds_service.case import Age, Answer, Case, Origin
from cds_service.content.load import load
from cds_service.content.model import Cite, Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Assessment, Caution, Class, Missing, RowResult, Test
from cds_service.engine.model import Care, Decision, Dose, FollowUp, Order, Plan, Referral
from cds_service.engine.phrase import number, unit_name
from cds_service.quantity import Quantity
from tests.changing import replace

BASE = "http://cds-service.example/fhir"
ID = "5b0f6b3e-9d43-5c1e-8a55-0c9f6f6f1f10"
AS_OF = datetime(2026, 3, 4, 9, 30, tzinfo=timezone(timedelta(hours=3)))
DAY = AS_OF.date()
SEEN = Cite(("P20", "A24"), "seen")
MEMORY = Cite(("CB19",), "memory")
PRACTICE = Cite((), "practice")
PROPOSAL = "Proposal for a licensed health worker, who decides. The national protocol prevails."
"""Said by every request that a record system may store alone (every output is one)."""
WEIGHT = Quantity(Decimal("3.4"), "kg")


@cache
def protocol() -> Protocol:
    """The packaged protocol."""
    return load()


def case(**changes: object) -> Case:
    """An infant of twelve days, sent by a clinic three hours east of Greenwich."""
    known = Case(
        subject="Patient/asha-of-tolm-ford",
        as_of=AS_OF,
        visit_end=AS_OF,
        age=Age(12, 12),
        encounter="Encounter/visit-1",
        subject_origin=Origin("Patient/asha-of-tolm-ford"),
    )
    return replace(known, **changes)


def finding(code: str, answer: Answer = Answer.YES, reference: str = "Observation/f1") -> Test:
    """One tested sign."""
    what = Message("test.finding", (("sign", Message(f"sign.{code}")),))
    return Test(what, answer, SEEN, code, (Origin(reference),))


def fever() -> Test:
    """A measured temperature that makes the sign."""
    values = (
        ("measure", Message("measure.temperature")),
        ("op", Message("op.at-least")),
        ("limit", "38 Cel"),
        ("value", "38.4 Cel"),
    )
    origins = (Origin("Observation/t1"), Origin("urn:uuid:0c63e0a9-5b45-4b8f-b3a8-1c2f6f6d9a01"))
    return Test(Message("test.measure", values), Answer.YES, SEEN, "temperature", origins)


def held(code: str, *tests: Test, severe: bool = True, open_above: tuple[str, ...] = ()) -> Class:
    """A class that holds."""
    return Class("bacterial-infection", code, severe, tests, SEEN, open_above)


def dose(medicine: str, formulation: str, amount: str, *, rule: str) -> Dose:
    """A dose for the infant of 3.4 kg; what it contains and its target are those of the content."""
    entry = protocol().medicine_by_code[medicine]
    form = entry.formulation(formulation)
    given, unit = form.contained(Quantity(Decimal(amount), form.per.unit)), form.substance.unit
    aim = entry.target
    return Dose(
        medicine=entry,
        formulation=form,
        rule=rule,
        rule_words=Message(f"rule.{medicine}.{rule}"),
        amount=Quantity(Decimal(amount), form.per.unit),
        contained=given,
        per_kg=given.value / WEIGHT.value,
        weight=WEIGHT,
        target=aim and Quantity(aim.value * WEIGHT.value, unit),
        target_rule=f"{number(aim.value)} {unit_name(unit)}/kg" if aim else "",
        cite=MEMORY,
    )


def amoxicillin(branch: str = "here", **changes: object) -> Order:
    """Half a dispersible tablet of 250 mg, twice a day for seven days."""
    form = "amoxicillin-dispersible-tablet-250mg"
    given = dose("amoxicillin", form, "0.5", rule="2500g-to-under-4000g")
    band = Message("rule.band", (("low", "2.5 kg"), ("high", "4 kg")))
    known = Order(
        key=f"{branch}.amoxicillin",
        branch=branch,
        dose=replace(given, rule_words=band),
        times_a_day=2,
        days=7,
        at_least=False,
        first_due=AS_OF,
        doses=14,
        packs=7,
        is_option=False,
        classes=("clinical-severe-infection",),
        cite=SEEN,
    )
    return replace(known, **changes)


def gentamicin(branch: str = "here", **changes: object) -> Order:
    """2.5 mL of 10 mg/mL once a day for seven days, or once before referral."""
    single = branch == "refer"
    known = Order(
        key=f"{branch}.gentamicin",
        branch=branch,
        dose=dose("gentamicin", "gentamicin-vial-80mg-2ml", "2.5", rule="7-days-and-over"),
        times_a_day=1,
        days=None if single else 7,
        at_least=False,
        first_due=AS_OF,
        doses=1 if single else 7,
        packs=1 if single else 7,
        is_option=False,
        classes=("clinical-severe-infection",),
        cite=SEEN,
    )
    return replace(known, **changes)


def benzylpenicillin(**changes: object) -> Order:
    """An injection before referral whose dose is counted in international units."""
    form = protocol().medicine_by_code["benzylpenicillin"].formulations[0].code
    given = dose("benzylpenicillin", form, "0.35", rule="per-kilogram")
    known = gentamicin("refer", key="refer.benzylpenicillin", dose=given, times_a_day=2)
    return replace(known, **changes)


def referral(
    *, only: bool = False, is_option: bool = False, urgent: bool = True, possible: bool = True
) -> Referral:
    """A referral for one class."""
    why = (Message("class.clinical-severe-infection"),)
    return Referral(("clinical-severe-infection",), why, urgent, only, is_option, SEEN, possible)


def care(code: str, branch: str = "", *, emergency: bool = False) -> Care:
    """One care item."""
    key = f"{branch}.{code}" if branch else code
    return Care(key, branch, Message(f"care.{code}"), SEEN, emergency)


def visit(code: str, after: int, branch: str = "here", *, until: int | None = None) -> FollowUp:
    """A visit so many days on; `until` makes it a daily one."""
    end = None if until is None else DAY + timedelta(days=until)
    on = DAY + timedelta(days=after)
    message = Message(f"visit.{code}", (("class", Message("class.local-bacterial-infection")),))
    return FollowUp(f"{branch}.{code}.{after}", on, end, message, PRACTICE, after == 3, branch)


def caution(code: str, severity: str = "moderate", **changes: object) -> Caution:
    """One caution."""
    values = (("what", Message("sign.convulsions")),)
    known = Caution(code, severity, Message(f"caution.{code}", values))
    return replace(known, **changes)


def plan(**changes: object) -> Plan:
    """An empty plan."""
    empty = Plan("success", "", (), None, None, (), (), (), (), (), (), ())
    return replace(empty, **changes)


def assessment(*classes: Class, **changes: object) -> Assessment:
    """An assessment with these classes."""
    return replace(Assessment(classes, (), (), (), ()), **changes)


def decision(
    found: Assessment | None = None, planned: Plan | None = None, **changes: object
) -> Decision:
    """A decision on the infant of `case()`."""
    known = Decision(ID, case(), protocol(), found or assessment(), planned or plan())
    return replace(known, **changes)


def severe(choice: str = "refer-or-here") -> Decision:
    """Clinical severe infection: a typical answer."""
    is_option = choice == "refer-or-here"
    with_refer = choice != "here"
    refer_orders = (gentamicin("refer", is_option=is_option),) if with_refer else ()
    here = choice != "refer"
    here_orders = (
        (gentamicin(is_option=is_option), amoxicillin(is_option=is_option)) if here else ()
    )
    here_visits = (visit("full-reassessment", 3), visit("full-reassessment", 7)) if here else ()
    daily = (visit("next-injection", 1, until=6),) if here else ()
    planned = plan(
        status="data-requested" if is_option else "success",
        choice=choice,
        referral=referral(
            is_option=is_option, only=choice == "refer-then-here", possible=choice != "here"
        ),
        orders=(*refer_orders, *here_orders),
        care=(
            *((care("referral-note", "refer"),) if with_refer else ()),
            *((care("keep-warm", "here"),) if here else ()),
        ),
        follow_ups=(*daily, *here_visits),
        cautions=(caution("preliminary", "low"),),
        counselling=(Message("care.keep-warm-at-home"), Message("care.return-at-once")),
        summary=(Message("class.clinical-severe-infection"),),
    )
    classes = held("clinical-severe-infection", fever(), finding("feeding-poorly"))
    return decision(assessment(classes, not_recorded=("apnoea", "oxygen-saturation")), planned)


def undecided() -> Decision:
    """Fast breathing in an older infant while a severe row is still open."""
    row = protocol().row_by_code["clinical-severe-infection"]
    unknown = replace(finding("feeding-poorly", Answer.NOT_ASSESSED), origins=())
    why = Message("missing.finding", (("row", Message("class.clinical-severe-infection")),))
    missing = (
        Missing("finding", "feeding-poorly", why, required=True),
        Missing("measure", "temperature", Message("missing.measure", why.values), required=True),
        Missing("age", "age", Message("missing.age", why.values), required=True),
    )
    rows = (RowResult("bacterial-infection", row, Answer.NOT_ASSESSED, (unknown,)),)
    classes = held("pneumonia", finding("jaundice"), open_above=("clinical-severe-infection",))
    return decision(
        assessment(classes, rows=rows, missing=missing),
        plan(
            status="data-required",
            orders=(amoxicillin(classes=("pneumonia",)),),
            missing=missing,
            emergency=(care("keep-warm", emergency=True),),
        ),
    )


def nothing() -> Decision:
    """Nothing known, not even the age, and nothing to do."""
    bare = Case("", datetime(2026, 3, 4, tzinfo=UTC), datetime(2026, 3, 4, tzinfo=UTC))
    age = (Missing("age", "age", Message("missing.age-range"), required=True),)
    return decision(assessment(missing=age), plan(status="data-required", missing=age), case=bare)
