"""How a medicine is prepared, given and finished: which sentences go with an order.

The words and every number in them are content; only the choice of sentences is made here.
"""

from decimal import Decimal

from cds_service.content.medicine import Formulation
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.model import Order
from cds_service.engine.phrase import amount, days, number, strength
from cds_service.quantity import Quantity

_Values = tuple[tuple[str, str | Message], ...]


def instructions(order: Order, protocol: Protocol) -> tuple[Message, ...]:
    """The sentences for one order, in the order in which they are done."""
    dose, form = order.dose, order.dose.formulation
    values = (*_numbers(protocol), ("amount", amount(dose.amount)), ("strength", strength(dose)))
    found = [Message(_prepare(form), (*values, *_vial(form)))]
    if form.per.unit == "mL" and dose.medicine.route == "oral":
        found.append(Message("measure-out", values))
    found += [
        Message(f"give.{dose.medicine.route}", (*values, ("site", _site(order)))),
        *_split(order),
    ]
    if dose.medicine.route == "oral":
        found.append(Message("first-dose-here"))
        found.append(Message("if-vomited", values))
    if order.days is not None:
        found.append(Message(f"finish.{dose.medicine.route}", (("days", days(order.days)),)))
    return tuple(found)


def _numbers(protocol: Protocol) -> _Values:
    return tuple((name, str(value.quantity)) for name, value in protocol.values)


def _prepare(form: Formulation) -> str:
    if form.form == "injection":
        return "prepare.injection-ready" if form.dilute is None else "prepare.injection-thinned"
    return f"prepare.{form.form}"


def _vial(form: Formulation) -> _Values:
    values: list[tuple[str, str | Message]] = []
    if form.dilute is not None:
        values.append(("water", str(form.dilute.quantity)))
    if form.shelf_life is not None:
        values.append(("keeps", _span(form.shelf_life.quantity)))
    values.append(("label", form.strength_on_label))
    return tuple(values)


def _span(time: Quantity) -> Message | str:
    return days(int(time.value)) if time.unit == "d" else str(time)


def _site(order: Order) -> Message | str:
    site = order.dose.medicine.site
    return Message(f"site.{site}") if site else ""


def _split(order: Order) -> tuple[Message, ...]:
    limit, volume = order.dose.medicine.split_above, order.dose.amount
    if limit is None or volume.value <= limit.value:
        return ()
    half = Quantity(volume.value / Decimal(2), volume.unit)
    return (Message("give.split", (("half", f"{number(half.value)} {half.unit}"),)),)
