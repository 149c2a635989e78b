"""What is told beside a dose: how far it lies from the published target, what a liquid would be."""

from collections.abc import Iterator
from decimal import Decimal

from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import Message
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Caution
from cds_service.engine.model import Dose
from cds_service.engine.phrase import number, unit_name
from cds_service.quantity import Quantity, to_step

_PRINTED = Decimal("0.1")  # how fine the content of a dose is printed; checks use it unrounded


def printed(value: Decimal) -> Decimal:
    """The content of a dose, or its target, as fine as it is printed."""
    return to_step(value, _PRINTED, "nearest")


def notes(
    protocol: Protocol, form: Formulation, contained: Quantity, target: Quantity | None
) -> tuple[Message, ...]:
    """What is told beside a dose: which substance is counted, how far it is from its target."""
    told = (Message("dose.counted", (_substance(form),)),) if form.counted else ()
    return told if target is None else (*told, *_deviates(protocol, contained, target))


def _substance(form: Formulation) -> tuple[str, Message]:
    return "substance", Message(f"substance.{form.counted}")


def _deviates(protocol: Protocol, contained: Quantity, target: Quantity) -> tuple[Message, ...]:
    deviation = _deviation(contained, target)
    if abs(deviation) <= protocol.deviation_note.value:
        return ()
    return (Message("dose.deviation", _figures(contained, target)),)


def _deviation(contained: Quantity, target: Quantity) -> Decimal:
    """Percent by which what is given differs from the target."""
    return (contained.value / target.value - 1) * 100


def _is_far(protocol: Protocol, deviation: Decimal) -> bool:
    return deviation > protocol.deviation_high.value or -deviation > protocol.deviation_low.value


def _figures(contained: Quantity, target: Quantity) -> tuple[tuple[str, str | Message], ...]:
    deviation = _deviation(contained, target)
    unit = unit_name(contained.unit)
    return (
        ("given", f"{number(printed(contained.value))} {unit}"),
        ("target", f"{number(printed(target.value))} {unit}"),
        ("percent", f"{abs(deviation).quantize(Decimal(1)):f} %"),
        ("direction", Message(f"direction.{'above' if deviation > 0 else 'below'}")),
    )


def per_kg_volume(dose: Dose) -> Message | None:
    """The exact per-kilogram volume of a liquid form, told beside a banded dose.

    None when the medicine has no liquid form, or no target per kilogram.
    """
    if dose.target is None:
        return None
    values = _liquid_volume(dose.medicine, dose.formulation, dose.target)
    return None if values is None else Message("dose.per-kg-beside", values)


def per_kg_action(medicine: Medicine, form: Formulation, target: Quantity) -> Message | None:
    """What can be done about a banded dose far from its target: measure it as a liquid."""
    values = _liquid_volume(medicine, form, target)
    return None if values is None else Message("action.far-from-target", values)


def _liquid_volume(
    medicine: Medicine, form: Formulation, target: Quantity
) -> tuple[tuple[str, str | Message], ...] | None:
    liquids = [each for each in medicine.formulations if each.per.unit == "mL"]
    if not liquids:
        return None
    liquid = form if form in liquids else liquids[0]
    volume = to_step(liquid.amount_for(target.value), liquid.step.value, "nearest")
    name = ("formulation", Message(f"formulation.{liquid.code}"))
    return (("volume", f"{number(volume)} {liquid.per.unit}"), name)


def far_from_target(
    protocol: Protocol,
    medicine: Medicine,
    form: Formulation,
    given: Quantity,
    target: Quantity | None,
) -> Iterator[Caution]:
    """The warning about a dose that lies far from its published target."""
    if target is None or not _is_far(protocol, _deviation(given, target)):
        return
    values = (*_figures(given, target), ("medicine", Message(f"medicine.{medicine.code}")))
    message = Message("caution.far-from-target", values)
    action = per_kg_action(medicine, form, target)
    yield Caution("far-from-target", "moderate", message, action=action, medicine=medicine.code)
