"""One order as an item of a label: the Messages of the engine in words, its dose as a drawing."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal

from cds_service.content.model import Message
from cds_service.engine.model import Order, Plan
from cds_service.engine.phrase import (
    amount,
    day,
    days,
    days_to_give,
    is_running,
    number,
    times,
    unit_name,
)
from cds_service.label.icons import of_hour
from cds_service.label.ink import Ink
from cds_service.label.page import At, Day, Item, Picture
from cds_service.label.schedule import by_day, dose_times
from cds_service.label.speech import Speech, capital
from cds_service.label.syringe import fillings, syringe_svg
from cds_service.label.tablet import tablets_svg
from cds_service.quantity import Quantity, to_step

_BY_MOUTH = ("oral", "oromucosal")
_PREPARED = {
    "suspension": "bottle",
    "oral-liquid": "bottle",
    "dispersible-tablet": "spoon",
    "tablet": "spoon",
}
_ONLY = {"refer": "label.if-referred", "here": "label.if-here"}
_FRACTIONS = {Decimal("0.25"): "¼", Decimal("0.5"): "½", Decimal("0.75"): "¾"}


def item(order: Order, plan: Plan, speech: Speech, ink: Ink) -> Item:
    """One order for the label and the leaflet."""
    dose, say = order.dose, speech.say
    name = Message(f"formulation.{dose.formulation.code}")
    return Item(
        name=capital(say(name)),
        also=speech.english(name),
        notes=tuple(say(note) for note in _notes(order, plan)),
        figure=speech.figure(_figure(dose.amount)),
        amount=_amount(dose.amount, speech),
        how=tuple(say(each) for each in _how(order)),
        pictures=tuple(dose_pictures(order, speech, ink)),
        days=tuple(
            Day(say(day(on)), speech.figure(f"{on:%Y-%m-%d}"), tuple(map(_at, due)))
            for on, due in by_day(dose_times(order))
        ),
        steps=tuple(map(say, order.instructions)),
        discard=_discard(order, speech),
        liquid=dose.amount.unit == "mL",
        at_home=dose.medicine.route in _BY_MOUTH,
        icons=tuple(_icons(order)),
    )


def dose_pictures(order: Order, speech: Speech, ink: Ink) -> Iterator[Picture]:
    """One dose as drawings: tablets, or the syringe once for every filling or injection."""
    given, dose = order.dose.amount, order.dose
    if given.unit != "mL":
        words = speech.say(amount(given))
        yield Picture(tablets_svg(given.value, ink=ink, alt=words), words)
        return
    for part in _parts(order, dose.amount.value):
        for syringe, volume in fillings(part, speech.protocol.syringes):
            held = Quantity(volume, given.unit)
            size = (("amount", amount(held)), ("size", str(syringe.holds.quantity)))
            words = speech.say(Message("label.syringe", size))
            yield Picture(syringe_svg(syringe, volume, ink=ink, alt=words), words, words)


def _parts(order: Order, volume: Decimal) -> tuple[Decimal, ...]:
    """The volumes that are given in two places, as the instructions say them; else the whole."""
    limit = order.dose.medicine.split_above
    if limit is None or volume <= limit.value:
        return (volume,)
    first = to_step(volume / 2, order.dose.formulation.step.value, "nearest")
    return (first, volume - first)


def _figure(given: Quantity) -> str:
    if given.unit != "{tbl}":
        return f"{number(given.value)} {unit_name(given.unit)}"
    whole, part = int(given.value), _FRACTIONS.get(given.value % 1, "")
    return f"{whole or ''}{part}" or number(given.value)


def _amount(given: Quantity, speech: Speech) -> str:
    aloud = speech.aloud(given.value)
    if given.unit != "{tbl}":
        return f"{aloud} {given.unit}" if aloud else ""
    words = speech.say(amount(given))
    return f"{words} ({aloud})" if aloud and given.value % 1 == 0 else words


def _notes(order: Order, plan: Plan) -> Iterator[Message]:
    if limit := only_if(order.branch, plan):
        yield Message(limit)
    others = {each.key: each.dose.medicine.code for each in plan.orders}
    rivals = [each.key for each in plan.orders if each.instead_of == order.key]
    for key in (*rivals, *((order.instead_of,) if order.instead_of else ())):
        other = Message(f"medicine.{others[key]}")
        yield Message("label.one-of", (("medicine", other),))
    if order.dose.medicine.route not in _BY_MOUTH:
        yield Message("label.by-health-worker")


def only_if(branch: str, plan: Plan) -> str:
    """The text that says for which branch something holds; "" when that is decided."""
    is_open = plan.choice in ("refer-or-here", "refer-then-here")
    return _ONLY.get(branch, "") if is_open else ""


def _at(due: datetime) -> At:
    return At(f"{due:%H:%M}", of_hour(due.hour))


def _icons(order: Order) -> Iterator[str]:
    form, route = order.dose.formulation.form, order.dose.medicine.route
    if form in _PREPARED:
        yield _PREPARED[form]
    yield "mouth" if route in _BY_MOUTH else "thigh"


def _how(order: Order) -> Iterator[Message]:
    yield Message(f"route.{order.dose.medicine.route}")
    if order.days is not None:
        yield times(order.times_a_day)
        yield days(days_to_give(order))


def _discard(order: Order, speech: Speech) -> str:
    """When what is left of a bottle is thrown away, if it is made up for the first dose."""
    form = order.dose.formulation
    if form.shelf_life is None or form.pack != "{bottle}" or is_running(order):
        return ""
    made = order.first_due.date()
    until = made + timedelta(days=int(form.shelf_life.quantity.to("d").value))
    dates = (("made", day(made)), ("discard", day(until)))
    return speech.say(Message("label.discard", dates))
