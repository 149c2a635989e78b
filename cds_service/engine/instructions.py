"""How a medicine is prepared, given and finished: which sentences go with an order.

The words and every number in them are content; only the choice of sentences is made here.
"""

from collections.abc import Iterator

from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.model import Dose
from cds_service.engine.phrase import amount, strength
from cds_service.engine.words import said
from cds_service.quantity import Quantity, to_step

_BY_MOUTH = ("oral", "oromucosal")
_FINISH_AT_LEAST = {"oral": "finish.at-least-by-mouth", "oromucosal": "finish.at-least-by-mouth"}

_Values = tuple[tuple[str, str | Message], ...]


def instructions(
    dose: Dose, doses: int | None, protocol: Protocol, *, at_least: bool = False
) -> tuple[Message, ...]:
    """The sentences for one dose and its course, in the order in which they are done.

    `doses` is the number still to give, None for a single dose.
    """
    key = ("instructions", dose.formulation.code, dose.amount.value, doses, at_least)
    made: tuple[Message, ...] | None = protocol.memo[key]
    if made is None:
        made = protocol.memo[key] = tuple(_sentences(dose, doses, protocol, at_least=at_least))
    return made


def _sentences(
    dose: Dose, doses: int | None, protocol: Protocol, *, at_least: bool
) -> Iterator[Message]:
    form, route = dose.formulation, dose.medicine.route
    values = _values(form, dose.amount, protocol)
    yield preparation(form, dose.amount, protocol)
    if form.per.unit == "mL" and route in _BY_MOUTH:
        yield Message("measure-out", values)
    yield Message(f"give.{route}", (*values, ("site", _site(dose))))
    yield from split(dose.medicine, form, dose.amount)
    if route == "oral":
        yield Message("first-dose-here")
        yield Message("if-vomited", values)
    if doses is not None:
        key = _FINISH_AT_LEAST.get(route, "finish.at-least") if at_least else f"finish.{route}"
        yield Message(key, (("doses", str(doses)),))


def _values(form: Formulation, given: Quantity, protocol: Protocol) -> _Values:
    return (*_numbers(protocol), ("amount", amount(given)), ("strength", strength(form)))


def preparation(form: Formulation, given: Quantity, protocol: Protocol) -> Message:
    """How an amount of a product is made ready: diluted, made up, dissolved or crushed."""
    return Message(_prepare(form, given), (*_values(form, given, protocol), *_vial(form)))


def _numbers(protocol: Protocol) -> _Values:
    return tuple((name, said(value)) for name, value in protocol.values)


def _prepare(form: Formulation, given: Quantity) -> str:
    if form.form == "injection":
        return "prepare.injection-ready" if form.dilute is None else "prepare.injection-thinned"
    if form.pack != "{tbl}":
        return f"prepare.{form.form}"
    return f"prepare.{form.form}-{'whole' if given.value % 1 == 0 else 'part'}"


def _vial(form: Formulation) -> _Values:
    values: list[tuple[str, str | Message]] = []
    if form.dilute is not None:
        values.append(("water", str(form.dilute.quantity)))
    if form.shelf_life is not None:
        values.append(("keeps", said(form.shelf_life)))
    values.append(("label", form.strength_on_label))
    return tuple(values)


def _site(dose: Dose) -> Message | str:
    site = dose.medicine.site
    return Message(f"site.{site}") if site else ""


def split(medicine: Medicine, form: Formulation, volume: Quantity) -> Iterator[Message]:
    """How a volume that is too much for one place is divided; nothing for any other."""
    limit = medicine.split_above
    if limit is None or volume.unit != limit.unit or volume.value <= limit.value:
        return
    first = to_step(volume.value / 2, form.step.value, "nearest")
    parts = (("first", first), ("second", volume.value - first))
    values = tuple((name, str(Quantity(part, volume.unit))) for name, part in parts)
    yield Message("give.split", values)
