"""What a fluid is called and how it is told: Messages that every way of writing a plan shares."""

from collections.abc import Iterator

from cds_service.content.model import Message
from cds_service.engine.model import FluidOrder
from cds_service.engine.phrase import cited
from cds_service.engine.words import said


def name(order: FluidOrder) -> Message:
    """The fluid and its way: "ORS, by mouth"."""
    return fluid_name(order.fluid.product, order.route)


def fluid_name(product: str, route: str) -> Message:
    """The same of a product and a route."""
    return Message(
        "fluid-name",
        (("product", Message(f"product.{product}")), ("route", Message(f"route.{route}"))),
    )


def how_much(order: FluidOrder) -> Iterator[Message]:
    """One sentence for each step; without steps one for each loose stool, or sips."""
    route = ("route", Message(f"route.{order.route}"))
    for place, step in enumerate(order.steps):
        volume = ("volume", said(step.volume))
        pace = (("over", said(step.over)), ("per_hour", said(step.per_hour)))
        yield Message("fluid-then" if place else "fluid-step", (volume, route, *pace))
    if order.each_stool is not None:
        low, high = order.each_stool
        most = (("high", said(high)), route)
        if low is None:
            yield Message("fluid-stool-most", most)
        else:
            yield Message("fluid-stool", (("low", said(low)), *most))
    elif not order.steps:
        yield Message("fluid-sips", (route,))


def total(order: FluidOrder) -> Message | None:
    """All of it, and the rule it comes from; None when no volume is counted by weight."""
    rule = order.fluid.total
    if order.total is None or order.weight is None or rule is None:
        return None
    values = (("total", said(order.total)), ("rule", said(rule)), ("weight", said(order.weight)))
    return Message("fluid-total", values)


def source(order: FluidOrder) -> Message:
    """Where the fluid comes from."""
    return Message("source-told", (("cited", cited(order.fluid.cite)),))
