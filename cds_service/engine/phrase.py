"""What the numbers of a plan are called: Messages that every way of writing a plan shares.

Only words are chosen here, by the shape of a number (one, many, a half); nothing is decided.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from functools import lru_cache

from cds_service.content.medicine import Formulation
from cds_service.content.model import EARLIER, Cite, Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Missing
from cds_service.engine.model import Change, Dose, FollowUp, Order, Referral
from cds_service.quantity import Quantity

_HALF = Decimal("0.5")
_GRAM = Decimal("0.001")
_TENTH = Decimal("0.1")  # how fine a dose per kilogram is printed; not how it is checked
_UNIT_NAMES = {"[iU]": "IU", "{tbl}": "tablet", "Cel": "°C"}
_COUNTED = ("{tbl}", "{bottle}", "{vial}")


def number(value: Decimal | int) -> str:
    """A number as plain text, never with an exponent.

    >>> number(Decimal("1E+2")), number(Decimal("1.50")), number(Decimal("-0.0"))
    ('100', '1.5', '0')
    """
    text = f"{value:f}" if isinstance(value, Decimal) else str(value)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def amount(quantity: Quantity) -> Message:
    """A measured amount in words: "half a tablet", "2 bottles", "5 mL".

    >>> amount(Quantity.of("0.5", "{tbl}")).key, amount(Quantity.of("1.5", "{tbl}")).key
    ('amount.{tbl}.half', 'amount.{tbl}.and-half')
    """
    value, unit = quantity.value, quantity.unit
    if unit not in _COUNTED:
        return Message("amount.other", (("number", number(value)), ("unit", unit_name(unit))))
    if value == _HALF:
        return Message(f"amount.{unit}.half")
    if value == 1:
        return Message(f"amount.{unit}.one")
    if value % 1 == _HALF:
        return Message(f"amount.{unit}.and-half", (("number", number(value - _HALF)),))
    return Message(f"amount.{unit}.many", (("number", number(value)),))


def unit_name(unit: str) -> str:
    """A unit as it is printed: UCUM's code without its brackets.

    >>> unit_name("[iU]"), unit_name("{vial}"), unit_name("mg")
    ('IU', 'vial', 'mg')
    """
    return _UNIT_NAMES.get(unit) or unit.strip("{}")


def hand_out(order: Order) -> Message:
    """How much to hand out or to open: "7 tablets", "1 bottle", "2 vials"."""
    pack = order.dose.formulation.pack
    packs = amount(Quantity(Decimal(order.packs), pack))
    return Message(f"hand-out.{pack}", (("packs", packs),))


def strength(form: Formulation) -> Message:
    """The strength as it is measured out, after any dilution: "250 mg in 5 mL"."""
    parts = (form.substance, *(part.strength for part in form.beside))
    return Message("strength", (("substance", _together(parts)), ("per", amount(form.per))))


def times(times_a_day: int) -> Message:
    """How often a day."""
    if times_a_day in (1, 2, 3, 4):
        return Message(f"times.{times_a_day}")
    return Message("times.many", (("number", str(times_a_day)),))


def days(count: int) -> Message:
    """A number of days."""
    return Message("days.one") if count == 1 else Message("days.many", (("number", str(count)),))


def days_to_give(order: Order) -> int:
    """Days that the doses still to give take; fewer than the course when some were given."""
    return -(-order.doses // order.times_a_day)


@lru_cache(maxsize=1024)
def day(on: date) -> Message:
    """A date in words, with the day of the week."""
    names = (
        ("weekday", Message(f"weekday.{on.weekday()}")),
        ("month", Message(f"month.{on.month}")),
    )
    return Message("date", (("day", str(on.day)), *names, ("year", str(on.year))))


def between(first: date, last: date) -> Message:
    """A day, or the days between which it lies, both included."""
    if first == last:
        return day(first)
    return Message("day-span", (("first", day(first)), ("last", day(last))))


def moment(at: datetime) -> Message:
    """A date and time of day, in the offset that it carries."""
    return at_time(day(at.date()), f"{at:%H:%M}")


def at_time(on: Message | str, time: str) -> Message:
    """A date (as `day` or its words) and a time of day ("09:30")."""
    return Message("moment", (("date", on), ("time", time)))


def dosage(order: Order) -> Message:
    """One order as a sentence: amount, strength, route, how often and how long."""
    dose = order.dose
    values: list[tuple[str, str | Message]] = [
        ("amount", amount(dose.amount)),
        ("contained", _content(dose)),
        ("strength", strength(dose.formulation)),
        ("route", Message(f"route.{dose.medicine.route}")),
    ]
    if order.days is None or (order.doses == 1 and _is_alone(order)):
        return Message("dosage.single", tuple(values))
    values += [("times", times(order.times_a_day)), ("days", days(order.days))]
    if order.at_least:
        return Message("dosage.at-least", tuple(values))
    if is_running(order):
        return Message("dosage.running", (*values, ("doses", str(order.doses))))
    return Message("dosage.course", (*values, ("doses", str(order.doses))))


def _is_alone(order: Order) -> bool:
    """Whether the one dose of an order is none of a course that is counted on."""
    return order.change is not None or not is_running(order)


def is_running(order: Order) -> bool:
    """Whether doses of this course were given before."""
    return order.days is not None and order.doses < order.days * order.times_a_day


def due(order: Order) -> Message:
    """When the first dose that is still to give is due."""
    return due_at(due_kind(order), moment(order.first_due))


def due_at(kind: str, at: Message | str) -> Message:
    """The same of one `due_kind`, for a moment or its words."""
    return Message(f"due.{kind}", (("moment", at),))


def due_kind(order: Order) -> str:
    """ "once", "first" or "next": whether it is the only dose, the first, or one of a course."""
    if order.days is None:
        return "once"
    return "next" if is_running(order) else "first"


def contained(order: Order) -> Message:
    """What is in one dose, per kilogram and dose, and (for a course) per kilogram and day."""
    dose = order.dose
    if dose.per_kg is None or dose.weight is None or dose.medicine.acts_in_the_mouth:
        return Message("dose.contained-only", (("contained", _content(dose)),))
    values = (
        ("contained", _content(dose)),
        ("weight", _grams(dose.weight)),
        ("per_kg", _tenth(dose.per_kg)),
        ("unit", unit_name(dose.contained.unit)),
    )
    if order.days is None:
        return Message("dose.contained-once", values)
    per_day = _tenth(dose.per_kg * order.times_a_day)
    return Message("dose.contained", (*values, ("per_day", per_day)))


def target(dose: Dose) -> Message:
    """The published target for this weight and the rule that gave the dose."""
    if dose.target is None:
        return Message("dose.fixed", (("rule", dose.rule_words),))
    rule = (("target_rule", dose.target_rule), ("rule", dose.rule_words))
    figure = f"{_tenth(dose.target.value)} {unit_name(dose.target.unit)}"
    return Message("dose.target", (("target", figure), *rule))


def new_dose(change: Change, times_a_day: int) -> tuple[tuple[str, str | Message], ...]:
    """The dose that is due from a change on, as values of a text: `amount` and `times`."""
    known = None if change.dose is None else amount(change.dose.amount)
    return (("amount", known or Message("amount.as-ordered")), ("times", times(times_a_day)))


def change_told(change: Change, times_a_day: int) -> tuple[tuple[str, str | Message], ...]:
    """The same for the health worker, with what is in the dose, the day and the last one before."""
    values = dict(new_dose(change, times_a_day))
    if change.dose is not None:
        held = (("amount", values["amount"]), ("contained", _content(change.dose)))
        values["amount"] = Message("dose.amount-and-content", held)
    last = change.on - timedelta(days=1)
    return (("last", day(last)), ("on", day(change.on)), *values.items())


def visit(follow_up: FollowUp) -> Message:
    """When to come back: on a day, or every day between two days."""
    if follow_up.until is None:
        return Message("come-back.on", (("date", day(follow_up.on)),))
    return Message(
        "come-back.daily", (("from", day(follow_up.on)), ("until", day(follow_up.until)))
    )


def fact(protocol: Protocol, code: str) -> Message:
    """The name of a sign, measure or medicine, of the age or sex, or of an earlier class."""
    if code.startswith(EARLIER):
        name = Message(f"class.{code.removeprefix(EARLIER)}")
        return Message("test.earlier", (("class", name),))
    if code in protocol.medicine_by_code:
        return Message(f"medicine.{code}")
    measured = code in ("age", "sex") or code in protocol.measure_by_code
    return Message(f"measure.{code}" if measured else f"sign.{code}")


def adapted(protocol: Protocol) -> tuple[Message, ...]:
    """That a national adaptation was used, and which; nothing when none was."""
    if protocol.adaptation is None:
        return ()
    return (Message("write.adaptation", (("title", protocol.adaptation.title),)),)


def asked(protocol: Protocol, missing: Missing) -> Message:
    """What is still needed and why."""
    return Message("asked", (("what", fact(protocol, missing.code)), ("why", missing.why)))


def cited(cite: Cite) -> Message:
    """The sources and how sure we are of them, in short: "P20, L18: words read"."""
    evidence = Message(f"evidence.{cite.evidence}")
    if not cite.sources:
        return evidence
    return Message("cited", (("sources", ", ".join(cite.sources)), ("evidence", evidence)))


def sources(order: Order) -> Message:
    """Where the dose and where the course of an order come from."""
    told = (("dose", cited(order.dose.cite)), ("course", cited(order.cite)))
    return Message("order-sources", told)


def _content(dose: Dose) -> str:
    """What is in one dose; of a product with several substances, all of them."""
    return _together((dose.contained, *dose.formulation.contained_beside(dose.amount)))


def _together(parts: Iterable[Quantity]) -> str:
    return " + ".join(map(_exact, parts))


def _exact(quantity: Quantity) -> str:
    return f"{number(quantity.value)} {unit_name(quantity.unit)}"


def _grams(weight: Quantity) -> str:
    """A weight in kg to the gram; a finer one was converted, and is never judged so."""
    return _exact(Quantity(min(weight.value, weight.value.quantize(_GRAM, ROUND_FLOOR)), "kg"))


def _tenth(value: Decimal) -> str:
    return number(value.quantize(_TENTH, rounding=ROUND_HALF_UP))


def referral_title(referral: Referral) -> str:
    """The text key of what a referral is called; one that is not possible now says so itself."""
    if not referral.urgent:
        return "write.refer-for-assessment"
    if referral.possible:
        return "write.refer-urgently"
    return "write.refer-interim" if referral.only else "write.refer-when-possible"


def says_only(referral: Referral) -> bool:
    """Whether that it is the only safe course still has to be said beside the title."""
    return referral.only and referral.possible
