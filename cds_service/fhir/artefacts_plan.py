"""The PlanDefinition of a protocol: a group of actions for each table, an action for each row.

A row's condition is FHIRPath over the variables of the Library; empty is unknown, and then
nothing may be concluded. FHIR R4 plandefinition.html.
"""

from collections.abc import Iterator
from decimal import Decimal

from cds_service.content.care import CareItem
from cds_service.content.model import Cite, Condition, Row, Table
from cds_service.content.plans import ClassPlan, Course, Regimen, Visit
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_activity import activity_id
from cds_service.fhir.artefacts_base import headed, heading, words
from cds_service.fhir.artefacts_library import (
    FHIRPATH,
    canonical,
    cited,
    derived_from,
    library_id,
    version,
)
from cds_service.fhir.codes import UCUM, own_system
from cds_service.fhir.fhirpath_data import name
from cds_service.fhir.fhirpath_rows import expression, row_expression
from cds_service.fhir.write_json import Json, exact

_TYPE = "http://terminology.hl7.org/CodeSystem/plan-definition-type"
_ABOUT = (
    "Tables are read in their order; of each table the first row that holds gives the class. A "
    "condition whose result is empty is unknown: a row that is open above the one that holds "
    "has to be reported. Doses by weight stand in the ActivityDefinitions as text: they are made "
    "by $apply, with the checks that belong to them."
)


def plan(protocol: Protocol, base: str) -> Json:
    """The PlanDefinition."""
    about = f"{_ABOUT} {words(protocol, 'artefact.draft')}"
    started = headed(protocol, base, "PlanDefinition", protocol.id, protocol.title, about)
    keys = [each.key for each in protocol.sources]
    return started | {
        "type": {"coding": [{"system": _TYPE, "code": "clinical-protocol"}]},
        "subjectCodeableConcept": {
            "coding": [{"system": "http://hl7.org/fhir/resource-types", "code": "Patient"}]
        },
        "relatedArtifact": [*derived_from(protocol, base), *cited(protocol, keys)],
        "library": [canonical(protocol, base, "Library", library_id(protocol))],
        "action": [
            _emergency(protocol, base),
            *(_table(protocol, base, table) for table in protocol.tables),
        ],
    }


def _emergency(protocol: Protocol, base: str) -> Json:
    """What is done first, before any table: at once when its sign is known to be there."""
    return {
        "id": "emergency",
        "title": "First, before any table",
        "groupingBehavior": "logical-group",
        "selectionBehavior": "any",
        "action": [
            _care(protocol, base, item.code)
            | {"priority": "stat", "documentation": _sources(protocol, item.cite)}
            | _shown(protocol, item)
            for item in protocol.emergency
        ],
    }


def _table(protocol: Protocol, base: str, table: Table) -> Json:
    above: list[str] = []
    rows = []
    for row in table.rows:
        rows.append(_row(protocol, base, table, row, above))
        above.append(f"%now_{name(row.code)}")
    return {
        "id": f"table.{table.code}",
        "title": heading(protocol, table.code),
        "condition": [_when(f"%for_{name(table.code)}")],
        "groupingBehavior": "logical-group",
        "selectionBehavior": "at-most-one",
        "action": rows,
    }


def _row(protocol: Protocol, base: str, table: Table, row: Row, above: list[str]) -> Json:
    action: Json = {
        "id": f"row.{row.code}",
        "title": words(protocol, f"class.{row.code}"),
        "code": [_coded(protocol, base, "classification", row.code)],
        "documentation": _sources(protocol, row.cite),
        "condition": [_when(row_expression(table, row, above, protocol))],
    }
    if row.severe:
        action["priority"] = "urgent"
    managed = protocol.plan_by_code.get(row.code)
    inside = [] if managed is None else list(_managed(protocol, base, managed))
    if inside:
        action |= {"groupingBehavior": "logical-group", "action": inside}
    return action


def _managed(protocol: Protocol, base: str, managed: ClassPlan) -> Iterator[Json]:
    """Referral, treatment here, care; where there is a choice it is exactly one of the two."""
    refer = _referral(protocol, base, managed)
    here = _here(protocol, base, managed)
    if managed.referral == "choice" and refer and here:
        yield {
            "title": "Refer, or treat here when referral is not possible",
            "groupingBehavior": "logical-group",
            "selectionBehavior": "exactly-one",
            "action": [refer, here],
        }
    else:
        yield from (each for each in (refer, here) if each)
    for item in managed.care:
        yield _care(protocol, base, item.code) | {"documentation": _sources(protocol, item.cite)}
    for branch, codes in managed.fluids:
        for code in codes:
            yield {
                "title": f"Fluid ({'on the way' if branch == 'refer' else 'here'})",
                "definitionCanonical": _activity(protocol, base, code),
            }


def _referral(protocol: Protocol, base: str, managed: ClassPlan) -> Json:
    if managed.referral == "none":
        return {}
    refer = {
        "title": "Refer urgently",
        "priority": "urgent",
        "definitionCanonical": _activity(protocol, base, "referral"),
    }
    before = [_course(protocol, base, course) for course in managed.before_referral]
    return {
        "title": "Refer" if managed.referral == "choice" else "Refer: the only option",
        "documentation": _sources(protocol, managed.cite),
        "groupingBehavior": "logical-group",
        "selectionBehavior": "all",
        "action": [refer, *before],
    }


def _here(protocol: Protocol, base: str, managed: ClassPlan) -> Json:
    if not managed.regimens:
        return {}
    interim = " (interim: referral stays the only option)" if managed.referral == "only" else ""
    return {
        "title": f"Treat here{interim}",
        "description": "The first whose condition is true; the last has none.",
        "groupingBehavior": "logical-group",
        "selectionBehavior": "exactly-one",
        "action": [_regimen(protocol, base, each) for each in managed.regimens],
    }


def _regimen(protocol: Protocol, base: str, regimen: Regimen) -> Json:
    action: Json = {
        "title": heading(protocol, regimen.code),
        "documentation": _sources(protocol, regimen.cite),
    }
    if regimen.when is not None:
        action |= _condition(protocol, regimen.when)
    inside = [_course(protocol, base, course) for course in regimen.courses]
    inside += [_visit(protocol, base, visit) for visit in regimen.visits]
    if inside:
        action |= {"groupingBehavior": "logical-group", "selectionBehavior": "all"}
        action["action"] = inside
    return action


def _course(protocol: Protocol, base: str, course: Course) -> Json:
    """One medicine, or exactly one of several: the first that is allowed and in stock."""
    options = [
        {
            "title": words(protocol, f"medicine.{code}"),
            "definitionCanonical": _activity(protocol, base, code),
        }
        | _timing(protocol, code, course)
        for code in course.medicines
    ]
    if len(options) == 1:
        return options[0]
    return {
        "title": "One of these: the first that is allowed and in stock",
        "groupingBehavior": "logical-group",
        "selectionBehavior": "exactly-one",
        "action": options,
    }


def _timing(protocol: Protocol, code: str, course: Course) -> Json:
    if course.days is None:
        return {"timingTiming": {"repeat": {"count": 1}}}
    often = int(protocol.medicine_by_code[code].times_a_day.value)
    repeat: Json = {"frequency": often, "period": 1, "periodUnit": "d"}
    bounds = {"boundsDuration": _days(course.days.quantity.to("d").value)}
    said = {"description": "At least so long."} if course.at_least else {}
    return said | {"timingTiming": {"repeat": bounds | repeat}}


def _days(value: Decimal) -> Json:
    return {"value": exact(value), "unit": "day", "system": UCUM, "code": "d"}


def _visit(protocol: Protocol, base: str, visit: Visit) -> Json:
    until = "every day until then" if visit.daily else "on that day"
    return {
        "title": heading(protocol, visit.code),
        "description": f"Counted from this visit, {until}.",
        "documentation": _sources(protocol, visit.cite),
        "timingDuration": _days(visit.after.quantity.to("d").value),
        "definitionCanonical": _activity(protocol, base, "follow-up"),
    }


def _care(protocol: Protocol, base: str, code: str) -> Json:
    return {
        "title": heading(protocol, code),
        "code": [_coded(protocol, base, "care", code)],
    }


def _coded(protocol: Protocol, base: str, name: str, code: str) -> Json:
    """A code of ours; other editions have other codes under the same address."""
    own = {"system": own_system(base, name), "version": version(protocol), "code": code}
    return {"coding": [own]}


def _activity(protocol: Protocol, base: str, code: str) -> str:
    return canonical(protocol, base, "ActivityDefinition", activity_id(protocol, code))


def _sources(protocol: Protocol, cite: Cite) -> list[Json]:
    return cited(protocol, list(cite.sources), cite.evidence)


def _shown(protocol: Protocol, item: CareItem) -> Json:
    """When an item is told: its `when` is known to hold, and its `unless` is not."""
    paths = [] if item.when is None else [expression(item.when, protocol, row=False)]
    if item.unless is not None:
        # What is unknown is empty, and then the item is told.
        paths.append(f"iif({expression(item.unless, protocol, row=False)}, false, true)")
    return {"condition": [_when(path) for path in paths]} if paths else {}


def _condition(protocol: Protocol, when: Condition) -> Json:
    return {"condition": [_when(expression(when, protocol, row=False))]}


def _when(path: str) -> Json:
    said = {"language": FHIRPATH, "expression": path}
    return {"kind": "applicability", "expression": said}
