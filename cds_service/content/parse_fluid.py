"""fluids.yaml: what is given against dehydration, from the least to the most intensive."""

from decimal import Decimal

from cds_service.content.conditions import maybe_condition
from cds_service.content.desk import Desk
from cds_service.content.fields import Fields
from cds_service.content.fluid import EachStool, Fluid, Fluids, Stage
from cds_service.content.model import Number
from cds_service.content.tree import Node

ROUTES = ("oral", "tube", "intravenous")
_FLUID = (
    "product route stages after-each-stool total ceiling tube-when unless alternative counts-as "
    "values"
)


def fluids(root: Node, desk: Desk) -> Fluids:
    """Read every fluid; faults go to the desk."""
    file = Fields(root, desk, "step fluids")
    every = tuple(
        desk.keep(_fluid(code, part), part.node) for code, part in file.entries("fluids", _FLUID)
    )
    return desk.keep(Fluids(file.cite, file.above_zero("step", "mL"), every), root)


def _fluid(code: str, fields: Fields) -> Fluid:
    if fields.has("stages") and fields.has("after-each-stool"):
        fields.desk.report(fields.node, "a fluid has stages or after-each-stool, not both")
    known = fields.desk.names
    return Fluid(
        code=code,
        cite=fields.cite,
        product=fields.text("product"),
        route=fields.choice("route", ROUTES),
        stages=tuple(_stage(part) for part in fields.each("stages", "volume rate over")),
        each_stool=_each_stool(fields) if fields.has("after-each-stool") else None,
        total=fields.maybe_number("total", "mL/kg"),
        ceiling=fields.maybe_number("ceiling", "mL"),
        tube_when=maybe_condition(fields, "tube-when"),
        unless=maybe_condition(fields, "unless"),
        alternative=(
            fields.name("alternative", known.fluids, "fluid") if fields.has("alternative") else ""
        ),
        counts_as=fields.names("counts-as", known.signs, "sign"),
        values=fields.numbers("values"),
    )


def _stage(fields: Fields) -> Stage:
    """{volume: 30 mL/kg, over: 1 h}, or {rate: 20 mL/kg/h, over: 6 h}."""
    over = fields.above_zero("over", "h")
    if fields.has("rate") == fields.has("volume"):
        fields.desk.report(fields.node, "a stage has either volume or rate")
    if not fields.has("rate"):
        return Stage(fields.above_zero("volume", "mL/kg"), over)
    rate = fields.above_zero("rate", "mL/kg/h")
    return Stage(Number(Decimal(rate.value * over.value), "mL/kg", rate.cite), over)


def _each_stool(fields: Fields) -> EachStool:
    inner = fields.inner("after-each-stool", "from to light-below light-most")
    return EachStool(
        low=inner.above_zero("from", "mL"),
        high=inner.above_zero("to", "mL"),
        light_below=inner.above_zero("light-below", "kg"),
        light_most=inner.above_zero("light-most", "mL"),
    )
