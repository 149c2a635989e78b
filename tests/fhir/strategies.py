"""Decisions at random: any well-formed plan, whether a protocol would make it or not."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

from hypothesis import strategies as st

from cds_service.case import Answer, Origin
from cds_service.content.model import Message
from cds_service.engine.assessment_model import Missing, RowResult
from cds_service.engine.model import Decision, FluidOrder, FluidStep, Order, Referral
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.fhir import decisions as by_hand

_REFERENCES = ("", "Observation/a", "https://clinic.example/fhir/Observation/b", "Condition/c")
_CITES = (by_hand.SEEN, by_hand.MEMORY, by_hand.PRACTICE)
_SIGNS = ("convulsions", "feeding-poorly", "umbilicus-red", "severe-chest-indrawing")
_BRANCHES = {
    "": ("", "here"),
    "refer": ("", "refer"),
    "here": ("", "refer", "here"),
    "refer-or-here": ("", "refer", "here"),
    "refer-then-here": ("", "refer", "here"),
}

moments = st.builds(
    lambda at, minutes: at.astimezone(timezone(timedelta(minutes=minutes))),
    st.datetimes(datetime(2001, 1, 2), datetime(2099, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    st.integers(-720, 840),
)
origins = st.lists(st.sampled_from(_REFERENCES).map(Origin), max_size=3).map(tuple)
cites = st.sampled_from(_CITES)
amounts = st.decimals("0.1", "20", places=2).filter(lambda value: value > 0)


class Drawn:
    """A decision that is told in short when a test fails: with its protocol it fills a book."""

    def __init__(self, decision: Decision) -> None:
        self.decision = decision

    def __repr__(self) -> str:
        made = self.decision
        return f"{made.id} {made.plan.choice!r} {[order.key for order in made.plan.orders]}"


def _referral(classes: tuple[str, ...], *, only: bool) -> Referral:
    return replace(by_hand.referral(only=only), classes=classes)


@st.composite
def tests(draw: st.DrawFn) -> object:
    """One tested sign."""
    known = by_hand.finding(draw(st.sampled_from(_SIGNS)), draw(st.sampled_from(Answer)))
    return replace(known, origins=draw(origins), cite=draw(cites))


@st.composite
def orders(draw: st.DrawFn, branch: str, number: int, classes: tuple[str, ...]) -> Order:
    """Any form of any medicine, for any time."""
    medicine, form = draw(st.sampled_from(by_hand.protocol().formulations))
    amount = Quantity(draw(amounts), form.per.unit)
    weight = Quantity(draw(st.decimals("0.9", "8", places=3)), "kg")
    content = form.contained(amount)
    known = by_hand.amoxicillin().dose
    dose = replace(
        known,
        medicine=medicine,
        formulation=form,
        amount=amount,
        contained=Quantity(content.value.quantize(Decimal("0.1")), content.unit),
        per_kg=content.value / weight.value,
        weight=weight,
        cite=draw(cites),
    )
    days = draw(st.none() | st.integers(1, 14))
    times = draw(st.integers(1, 6))
    return replace(
        by_hand.amoxicillin(),
        key=f"{branch}.{medicine.code}.{number}",
        branch=branch,
        dose=dose,
        times_a_day=times,
        days=days,
        at_least=draw(st.booleans()),
        first_due=draw(moments),
        doses=1 if days is None else draw(st.integers(1, days * times)),
        packs=draw(st.integers(1, 40)),
        is_option=draw(st.booleans()),
        classes=classes,
        cite=draw(cites),
    )


@st.composite
def fluids(draw: st.DrawFn, branch: str, number: int, classes: tuple[str, ...]) -> FluidOrder:
    """Any fluid in any number of steps."""
    fluid = draw(st.sampled_from(by_hand.protocol().fluids.every))
    volumes = draw(st.lists(amounts.map(lambda value: Quantity(value, "mL")), max_size=3))
    hours = Quantity(draw(st.sampled_from([Decimal(1), Decimal("0.5"), Decimal(6)])), "h")
    weight = draw(st.none() | amounts.map(lambda value: Quantity(value, "kg")))
    bounds = (draw(st.none() | st.just(Quantity(Decimal(50), "mL"))), Quantity(Decimal(100), "mL"))
    return FluidOrder(
        key=f"{branch}.{fluid.code}.{number}",
        branch=branch,
        fluid=fluid,
        route=draw(st.sampled_from(["oral", "tube", "intravenous"])),
        steps=tuple(FluidStep(volume, hours, volume) for volume in volumes),
        each_stool=None if volumes else draw(st.sampled_from([None, bounds])),
        total=draw(st.sampled_from([None, *volumes])),
        weight=weight,
        classes=classes,
        is_option=draw(st.booleans()),
        instructions=draw(st.sampled_from([(), (Message("give-fluid.oral"),)])),
    )


@st.composite
def decisions(draw: st.DrawFn) -> Drawn:
    """Any decision whose branches fit its choice."""
    choice = draw(st.sampled_from(sorted(_BRANCHES)))
    branches = st.sampled_from(_BRANCHES[choice])
    signs = draw(st.lists(st.sampled_from(_SIGNS), unique=True, max_size=3))
    why = Message("missing.weigh-again")
    held = by_hand.held(
        "pneumonia",
        *draw(st.lists(tests(), max_size=3)),
        open_above=draw(st.sampled_from([(), ("critical-illness",)])),
    )
    row = by_hand.protocol().row_by_code["critical-illness"]
    result = RowResult("bacterial-infection", row, draw(st.sampled_from(Answer)), held.tests)
    classes = draw(st.sampled_from([(), (held,)]))
    held_codes = tuple(each.code for each in classes)
    made = [
        draw(orders(draw(branches), number, held_codes))
        for number in range(draw(st.integers(0, 3)))
    ]
    if len(made) > 1 and made[0].branch == made[1].branch:
        made[1] = replace(made[1], instead_of=draw(st.sampled_from(["", made[0].key])))
    given = [
        draw(fluids(draw(branches), number, held_codes))
        for number in range(draw(st.integers(0, 2)))
    ]
    if len(given) > 1 and given[0].branch == given[1].branch:
        given[1] = given[1]._replace(instead_of=draw(st.sampled_from(["", given[0].key])))
    found = by_hand.assessment(*classes, rows=(result,), not_recorded=tuple(signs))
    planned = by_hand.plan(
        status=draw(st.sampled_from(["success", "data-requested", "data-required"])),
        choice=choice,
        emergency=draw(st.sampled_from([(), (by_hand.care("give-oxygen", emergency=True),)])),
        referral=_referral(held_codes, only=draw(st.booleans())) if "refer" in choice else None,
        orders=tuple(made),
        fluids=tuple(given),
        care=tuple(
            by_hand.care("keep-warm", draw(branches)) for _ in range(draw(st.integers(0, 1)))
        ),
        follow_ups=draw(
            st.sampled_from([(), (by_hand.visit("review", 3, _BRANCHES[choice][-1]),)])
        ),
        cautions=tuple(
            by_hand.caution(
                "preliminary",
                severity,
                origins=draw(origins),
                medicine=draw(st.sampled_from(["", "amoxicillin", "gentamicin"])),
            )
            for severity in draw(st.lists(st.sampled_from(["high", "moderate", "low"]), max_size=3))
        ),
        missing=tuple(Missing("finding", sign, why, required=True) for sign in signs),
        counselling=draw(st.sampled_from([(), (Message("care.return-at-once"),)])),
        summary=draw(st.sampled_from([(), (Message("summary.undecided"),)])),
    )
    identity = str(draw(st.uuids()))
    case = by_hand.case(as_of=draw(moments), encounter=draw(st.sampled_from(["", "Encounter/e"])))
    return Drawn(by_hand.decision(found, planned, id=identity, case=case))
