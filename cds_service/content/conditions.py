"""Conditions of the content: a sign, a compared measure, or a group of conditions.

convulsions                                     the sign is YES
{finding: jaundice, is: no}                     the sign is NO
{now: pneumonia}  {earlier: pneumonia}          the class holds at this visit, or held at an earlier
{new: pneumonia}                                one of its signs is new since an earlier visit
{measure: temperature, at-least: 38.0 Cel}      below | at-most | at-least | above
{measure: respiratory-rate, at-least: 60 /min, confirmed: true}    and so is its repeat
{measure: blood-glucose, below: 2.5 mmol/L, or: [45 mg/dL]}     each value by its own unit
{measure: age-hours, below: 24 h, if-unknown: yes}           the safer reading of what is unknown
{measure: day-of-treatment, since: pneumonia, at-least: 4 d} day 1 is that of the earlier visit
{all: [...]}  {any: [...]}  {none: [...]}  {at-least: 2, of: [...]}
"""

from cds_service.case import Answer
from cds_service.content.desk import COMPUTED, Desk
from cds_service.content.fields import Fields
from cds_service.content.model import (
    DAY,
    EARLIER,
    NEW,
    NOW,
    OPS,
    Cite,
    Condition,
    FindingTest,
    Group,
    MeasureTest,
)
from cds_service.content.tree import Node

_ANSWERS = {"yes": Answer.YES, "no": Answer.NO}
_GROUPS = ("all", "any", "none")
_CLASSES = {"now": NOW, "earlier": EARLIER, "new": NEW}
_KEYS = " ".join(("finding is measure or confirmed if-unknown since of", *_CLASSES, *OPS, *_GROUPS))


def maybe_condition(fields: Fields, key: str) -> Condition | None:
    """The condition under a key, or None when it is not written."""
    return condition(fields.at(key), fields.desk, fields.cite) if fields.has(key) else None


def condition(node: Node, desk: Desk, above: Cite) -> Condition:
    """Read one condition."""
    if isinstance(node.value, str):
        return desk.keep(_finding(node.value, Answer.YES, above, node, desk), node)
    fields = Fields(node, desk, _KEYS, above)
    if fields.has("measure"):
        return desk.keep(_measure(fields), node)
    if fields.has("finding"):
        expect = answer(fields, "is") if fields.has("is") else Answer.YES
        return desk.keep(_finding(fields.text("finding"), expect, fields.cite, node, desk), node)
    for key, prefix in _CLASSES.items():
        if fields.has(key):
            code = fields.name(key, desk.names.classes, "class")
            return desk.keep(FindingTest(prefix + code, Answer.YES, fields.cite), node)
    return desk.keep(_group(fields), node)


def answer(fields: Fields, key: str) -> Answer:
    """yes or no under a key."""
    return _ANSWERS.get(fields.choice(key, _ANSWERS), Answer.NO)


def conditions(fields: Fields, key: str) -> tuple[Condition, ...]:
    """The conditions of the list under a key; a finding when there is none."""
    value = fields.at(key).value
    if not isinstance(value, tuple) or not value:
        fields.fault(key, f"{key} needs a list of conditions")
        return ()
    found = tuple(condition(item, fields.desk, fields.cite) for item in value)
    seen: set[object] = set()
    for one in found:
        if (same := _same(one)) in seen:
            fields.desk.report_at(one, "this condition stands in the list already; remove it")
        seen.add(same)
    return found


def _same(one: Condition) -> object:
    """What makes two conditions the same, wherever they are taken from."""
    if isinstance(one, FindingTest):
        return (one.code, one.expect)
    if isinstance(one, MeasureTest):
        limits = (one.limit.value, *(each.value for each in one.others))
        return (one.measure, one.op, limits, one.confirmed, one.if_unknown, one.since)
    return (one.kind, one.count, tuple(_same(item) for item in one.items))


def _finding(code: str, expect: Answer, cite: Cite, node: Node, desk: Desk) -> FindingTest:
    if code not in desk.names.signs | desk.names.derived:
        desk.report(node, f"unknown sign {code}; correct it or declare it in signs.yaml")
    return FindingTest(code, expect, cite)


def _measure(fields: Fields) -> MeasureTest:
    measures = COMPUTED | fields.desk.names.measures
    name = fields.name("measure", measures, "measure")
    ops = [op for op in OPS if fields.has(op)]
    if len(ops) != 1:
        fields.fault("measure", f"a measure needs exactly one limit: {' '.join(OPS)}")
        ops = ["below"]
    units = (measures[name],) if name in measures else ()
    confirmed = fields.flag("confirmed")
    if confirmed and name not in fields.desk.names.repeated:
        fields.fault("confirmed", f"{name} has no repeat-within, so it cannot be confirmed")
    unknown = answer(fields, "if-unknown") if fields.has("if-unknown") else Answer.NOT_ASSESSED
    limit = fields.number(ops[0], *units)
    since = fields.name("since", fields.desk.names.classes, "class") if fields.has("since") else ""
    if (name == DAY) != bool(since):
        fields.fault("measure", f"{DAY} needs since: <class>, and nothing else has it")
    others = fields.each_number("or")
    apart = set(fields.desk.names.apart.get(name, ()))
    if {each.unit for each in others} != apart or len(others) != len(apart):
        needed = " and ".join(sorted(apart)) or "no other unit"
        fields.fault("measure", f"{name} needs, under or, its limit in {needed}")
    # A limit that an adaptation has changed names its own source.
    return MeasureTest(name, ops[0], limit, limit.cite, confirmed, unknown, since, others)


def _group(fields: Fields) -> Group:
    kinds = [key for key in (*_GROUPS, "of") if fields.has(key)]
    if len(kinds) != 1:
        fields.desk.report(
            fields.node, "a condition is a sign, a finding, a measure, or one of all/any/none/of"
        )
        return Group("all", ())
    items = conditions(fields, kinds[0])
    if kinds[0] != "of":
        return Group(kinds[0], items)
    count = fields.whole("at-least")
    if not 0 < count <= len(items):
        fields.fault("at-least", f"at-least must lie between 1 and {len(items)} here")
    return Group("at-least", items, count)
