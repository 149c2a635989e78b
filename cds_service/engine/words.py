"""Words that several parts of the engine share: lists, and numbers of the content in words."""

from decimal import ROUND_FLOOR, Decimal

from cds_service.case import Refusal
from cds_service.content.model import Message, Number
from cds_service.engine.phrase import days, number, times, unit_name
from cds_service.quantity import Quantity

# How fine a converted reading is printed; it is never judged so.
_SHOWN = Decimal("0.001")
_TENTH, _CONVERTED = Decimal("0.1"), Decimal("0.01")


def listed(messages: tuple[Message, ...]) -> Message:
    """Join one or more messages into one: "a; b; c"."""
    first, *rest = messages
    for message in rest:
        first = Message("list", (("first", first), ("next", message)))
    return first


def said(value: Number | Quantity) -> str | Message:
    """A number of the content in words: "7 days", "1 hour", "twice a day", "50 mL"."""
    if value.unit == "/d":
        return times(int(value.value))
    if value.unit == "d":
        return days(int(value.value))
    if value.unit in ("h", "min", "wk"):
        count = "one" if value.value == 1 else "many"
        return Message(f"time.{value.unit}.{count}", (("number", number(value.value)),))
    return f"{number(value.value)} {unit_name(value.unit)}"


def reading(quantity: Quantity) -> str:
    """A recorded value as it is printed; rounded down, so that it never seems to reach a limit.

    >>> reading(Quantity.of("37.9994", "Cel")), reading(Quantity.of("3.40", "kg"))
    ('37.9 °C', '3.4 kg')
    >>> reading(Quantity.of("3.62873896", "kg"))
    '3.628 kg'
    """
    value = quantity.value
    if quantity.unit == "Cel" and value != value.quantize(_CONVERTED, rounding=ROUND_FLOOR):
        value = value.quantize(_TENTH, rounding=ROUND_FLOOR)  # what no thermometer shows
    if value != value.quantize(_SHOWN, rounding=ROUND_FLOOR):
        value = value.quantize(_SHOWN, rounding=ROUND_FLOOR)
    return f"{number(value)} {unit_name(quantity.unit)}"


def refused(refusal: Refusal) -> Message:
    """Why something that was sent is not used, in words."""
    values = tuple((name, _named(name, value)) for name, value in refusal.details)
    return Message(f"refusal.{refusal.reason}", values)


def _named(name: str, value: str) -> str | Message:
    return Message(f"measure.{value}") if name == "measure" else value
