"""The part `courses` of treatments.yaml: courses that began before the visit."""

from cds_service.content.conditions import maybe_condition
from cds_service.content.courses import Courses, SeeToday
from cds_service.content.fields import Fields
from cds_service.content.model import Cite

_KEYS = "hold-when see-today"
_SEE_TODAY = "medicines missed when"


def courses(file: Fields) -> Courses:
    """What holds for them; a protocol may say nothing."""
    if not file.has("courses"):
        return Courses(Cite((), "practice"))
    fields = file.inner("courses", _KEYS)
    return Courses(
        cite=fields.cite,
        hold_when=maybe_condition(fields, "hold-when"),
        see_today=tuple(_see_today(part) for part in fields.each("see-today", _SEE_TODAY)),
    )


def _see_today(fields: Fields) -> SeeToday:
    made = SeeToday(
        cite=fields.cite,
        medicines=fields.names("medicines", fields.desk.names.medicines, "medicine"),
        missed=fields.above_zero("missed", "{dose}"),
        when=maybe_condition(fields, "when"),
    )
    return fields.desk.keep(made, fields.node)
