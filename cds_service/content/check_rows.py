"""Checks of rows and rules: each can be reached, and no known case is left without a rule."""

from collections.abc import Iterator, Sequence

from cds_service.content.care import CareItem
from cds_service.content.desk import Desk
from cds_service.content.medicine import Contraindication, DoseRule, Medicine, MedicineCaution
from cds_service.content.model import Condition, MeasureTest, Row, leaves
from cds_service.content.plans import PlanCaution, Regimen
from cds_service.content.solve import NO, NOT_YES, YES, Goal, Question, World
from cds_service.content.treatment import Protocol

_Line = Row | DoseRule | Regimen
_Shown = CareItem | PlanCaution | MedicineCaution | Contraindication


def rows(protocol: Protocol, desk: Desk) -> None:
    """Every row of every table holds for some infant for whom no row above it holds."""
    for table in protocol.tables:
        _reachable(protocol, desk, table.rows, "row")


def regimens(protocol: Protocol, desk: Desk) -> None:
    """Every regimen can be chosen, and every care item and caution can be shown."""
    for plan in protocol.plans:
        _reachable(protocol, desk, plan.regimens, "regimen")
    for shown in _shown(protocol):
        _can_hold(protocol, desk, shown)


def rules(protocol: Protocol, desk: Desk, medicine: Medicine) -> None:
    """Every dose rule can be reached, and together they serve every age and weight."""
    _reachable(protocol, desk, medicine.rules, "rule")
    conditions = [rule.when for rule in medicine.rules if rule.when is not None]
    if medicine.rules and len(conditions) == len(medicine.rules):
        known = _tested(conditions) | {"age", "weight"}
        goals = [Goal(condition, NOT_YES) for condition in conditions]
        left_out = Question(protocol, goals, known).answer()
        if left_out is not None:
            desk.report_at(medicine, f"no rule serves {_words(left_out)}; add one or widen one")
    for caution in medicine.cautions:
        _can_hold(protocol, desk, caution)
    for item in (*medicine.contraindications, *medicine.before_next):
        _can_hold(protocol, desk, item)
    if medicine.offered_when is not None and not _possible(protocol, medicine.offered_when):
        desk.report_at(medicine, "offered-when can never hold; correct it")


def reaching(rules: Sequence[_Line], place: int) -> list[Goal] | None:
    """What must be so for the line at `place` to apply; None when a line above always does."""
    goals = []
    if (own := rules[place].when) is not None:
        goals.append(Goal(own, YES))
    for above in rules[:place]:
        if above.when is None:
            return None
        goals.append(Goal(above.when, NO))
    return goals


def _reachable(protocol: Protocol, desk: Desk, lines: Sequence[_Line], kind: str) -> None:
    for place, line in enumerate(lines):
        goals = reaching(lines, place)
        if goals is None or Question(protocol, goals).answer() is None:
            desk.report_at(
                line, f"the {kind} {line.code} can never apply: correct it, or the ones above it"
            )


def care_items(protocol: Protocol) -> Iterator[CareItem]:
    """Every care item of the protocol."""
    yield from (
        *protocol.emergency,
        *protocol.referral_care,
        *protocol.unfinished,
        *protocol.unfinished_referral,
        *protocol.counselling,
        *protocol.low_weight.care,
    )
    for plan in protocol.plans:
        yield from plan.care


def _shown(protocol: Protocol) -> Iterator[_Shown]:
    yield from care_items(protocol)
    for plan in protocol.plans:
        yield from plan.cautions
        for regimen in plan.regimens:
            yield from regimen.cautions
    yield from protocol.cautions
    yield from (*protocol.low_weight.cautions, *protocol.low_weight.regimen.cautions)


def _can_hold(protocol: Protocol, desk: Desk, shown: _Shown) -> None:
    if shown.when is not None and not _possible(protocol, shown.when):
        desk.report_at(shown, f"{shown.code} can never be shown: correct its when")


def _possible(protocol: Protocol, condition: Condition) -> bool:
    return Question(protocol, [Goal(condition, YES)]).answer() is not None


def _tested(conditions: Sequence[Condition]) -> frozenset[str]:
    """The measures that the conditions test themselves, not inside a derived fact."""
    every = (test for condition in conditions for test in leaves(condition))
    return frozenset(test.measure for test in every if isinstance(test, MeasureTest))


def _words(world: World) -> str:
    parts = (f"{code} {getattr(value, 'value', value)}" for code, value in sorted(world.items()))
    return ", ".join(parts) or "anyone"
