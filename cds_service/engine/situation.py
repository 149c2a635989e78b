"""Where the infant stands: which management applies, and whether it is here, away, or a choice.

Clinical content, section 3: where referral is the only safe course, care here is interim and
never an equal option; where referral-possible is unknown, both ways are shown.
"""

from dataclasses import dataclass

from cds_service.case import Answer
from cds_service.content.model import FindingTest, Message, leaves
from cds_service.content.treatment import REFERRAL, ClassPlan, Course, Regimen
from cds_service.engine.conditions import evaluate, holds
from cds_service.engine.facts import Facts
from cds_service.engine.model import Assessment, Class, Missing
from cds_service.engine.weight import Weight

_UNKNOWN = Answer.NOT_ASSESSED


@dataclass(frozen=True, slots=True)
class Managed:
    """One class that holds, its plan, the regimen chosen for here, and if only care is left."""

    held: Class
    plan: ClassPlan
    before_referral: tuple[Course, ...]
    regimen: Regimen | None
    care_only: bool


@dataclass(frozen=True, slots=True)
class Situation:
    """What the plan is built from. `choice` is that of model.Plan."""

    managed: tuple[Managed, ...]
    very_low_weight: bool
    too_light_to_dose: bool
    blocked: tuple[str, ...]
    """Signs that forbid every medicine of a course that is due (allergies)."""
    choice: str
    only: bool
    """Whether referral is the only safe course, whatever is said about it."""
    missing: tuple[Missing, ...]

    @property
    def refers(self) -> bool:
        """Whether a referral is written at all."""
        return self.choice != ""

    @property
    def treats_here(self) -> bool:
        """Whether a branch for this clinic is written."""
        return self.choice != "refer"

    @property
    def gives_before_referral(self) -> bool:
        """Whether the single doses before referral are written."""
        return self.choice.startswith("refer")


def situate(facts: Facts, assessment: Assessment, weight: Weight) -> Situation:
    """Find the management that applies."""
    limits = facts.protocol.low_weight
    very_low = weight.lowest is not None and weight.lowest < limits.outpatient_from.value
    too_light = weight.kg is not None and weight.kg < limits.dose_from.value
    open_severe = any(r.row.severe and r.answer is _UNKNOWN for r in assessment.rows)
    managed = tuple(
        _managed(held, facts, assessment, very_low=very_low, open_severe=open_severe)
        for held in assessment.classes
    )
    blocked = _blocked(managed, facts)
    mode = _mode(managed, very_low=very_low, blocked=blocked)
    choice = _choice(mode, facts.answer(REFERRAL))
    missing = tuple(_missing(choice, managed, facts))
    return Situation(managed, very_low, too_light, blocked, choice, mode == "only", missing)


def _managed(
    held: Class, facts: Facts, assessment: Assessment, *, very_low: bool, open_severe: bool
) -> Managed:
    plan = facts.protocol.plan_by_code[held.code]
    absorbed = any(assessment.holds(code) for code in plan.absorbed_by)
    care_only = bool(plan.absorbed_by) and (absorbed or open_severe)
    regimen = None if care_only else _regimen(plan, facts)
    if regimen is None or not very_low:
        return Managed(held, plan, plan.before_referral, regimen, care_only)
    low = facts.protocol.low_weight
    return Managed(held, plan, low.before_referral, low.regimen, care_only)


def _regimen(plan: ClassPlan, facts: Facts) -> Regimen | None:
    """The first regimen whose condition is known to hold; unknown falls to the next."""
    for regimen in plan.regimens:
        if regimen.when is None or holds(regimen.when, facts):
            return regimen
    return None


def _blocked(managed: tuple[Managed, ...], facts: Facts) -> tuple[str, ...]:
    signs: dict[str, None] = {}
    if not any(facts.is_yes(code) for code in facts.protocol.allergy_signs):
        return ()
    for item in managed:
        for course in item.regimen.courses if item.regimen is not None else ():
            medicines = [facts.protocol.medicine_by_code[code] for code in course.medicines]
            forbidding = [
                [code for code in medicine.avoid_with if facts.is_yes(code)]
                for medicine in medicines
            ]
            if all(forbidding):
                signs.update(dict.fromkeys(code for codes in forbidding for code in codes))
    return tuple(signs)


def _mode(managed: tuple[Managed, ...], *, very_low: bool, blocked: tuple[str, ...]) -> str:
    modes = {item.plan.referral for item in managed}
    pressed = any(item.regimen is not None and item.regimen.press_for_referral for item in managed)
    if very_low or blocked or pressed or "only" in modes:
        return "only"
    return "choice" if "choice" in modes else ""


def _choice(mode: str, possible: Answer) -> str:
    if mode == "":
        return ""
    if possible is Answer.YES:
        return "refer"
    if possible is Answer.NO:
        return "here"
    return "refer-then-here" if mode == "only" else "refer-or-here"


def _missing(choice: str, managed: tuple[Managed, ...], facts: Facts) -> list[Missing]:
    """Facts that are not required, but could still change the plan."""
    found: list[Missing] = []
    if choice and facts.answer(REFERRAL) is Answer.NOT_ASSESSED:
        why = Message("missing.referral" if choice == "refer-or-here" else "missing.referral-only")
        found.append(Missing("finding", REFERRAL, why, required=False))
    if choice == "refer":
        return found
    for item in managed:
        found += _asked_by_regimens(item, facts)
    return found


def _asked_by_regimens(item: Managed, facts: Facts) -> list[Missing]:
    if item.regimen is None or item.regimen not in item.plan.regimens:
        return []
    above = item.plan.regimens[: item.plan.regimens.index(item.regimen)]
    why = Message("missing.regimen", (("row", Message(f"class.{item.held.code}")),))
    return [
        Missing("finding", test.code, why, required=False)
        for regimen in above
        if regimen.when is not None and evaluate(regimen.when, facts) is Answer.NOT_ASSESSED
        for test in leaves(regimen.when)
        if isinstance(test, FindingTest) and facts.answer(test.code) is Answer.NOT_ASSESSED
    ]
