"""Where the infant stands: which management applies, and whether it is here, away, or a choice.

Clinical content, section 3: where referral is the only safe course, care here is interim and
never an equal option; where referral-possible is unknown, both ways are shown.
"""

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from decimal import Decimal
from itertools import takewhile
from typing import NamedTuple

from cds_service.case import Answer
from cds_service.content.care import CareItem
from cds_service.content.medicine import Medicine
from cds_service.content.model import EARLIER, NOW, FindingTest, Message, finding_tests, leaves
from cds_service.content.plans import ClassPlan, Course, Regimen
from cds_service.content.treatment import REFERRAL
from cds_service.engine.assessment_model import Assessment, Class, Missing, Weight
from cds_service.engine.computed import day_of_treatment
from cds_service.engine.conditions import evaluate, holds, is_shown
from cds_service.engine.courses import doses_so_far
from cds_service.engine.dose import OPEN, dose_of
from cds_service.engine.facts import Facts
from cds_service.engine.model import NoDose
from cds_service.engine.past import past


class Managed(NamedTuple):
    """One class that holds, its plan, the regimen chosen for here, and if only care is left."""

    held: Class
    plan: ClassPlan
    before_referral: tuple[Course, ...]
    regimen: Regimen | None
    care_only: bool
    since: date | None = None
    """The day of the earlier visit at which this treatment was begun; None: it begins now."""


class Situation(NamedTuple):
    """What the plan is built from. `choice` is that of model.Plan."""

    managed: tuple[Managed, ...]
    very_low_weight: bool
    too_light_to_dose: bool
    blocked: tuple[str, ...]
    """Signs that forbid every medicine of a course that is due (allergies), or its next dose."""
    choice: str
    only: bool
    """Whether referral is the only safe course, whatever is said about it."""
    missing: tuple[Missing, ...]
    emergency: tuple[CareItem, ...] = ()
    """What is done before any table; then referral is due, whatever the classes are."""

    @property
    def here_now(self) -> tuple[Managed, ...]:
        """What is managed because of a class that holds at this visit."""
        return tuple(item for item in self.managed if item.held.code == item.plan.code)

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
    begun = dict(_begun(facts, assessment)) if facts.case.earlier else {}
    managed = (
        *(_managed(held, held.code, facts, begun, very_low) for held in assessment.classes),
        *(
            _managed(held, code, facts, begun, very_low)
            for code, held in _continued(facts, assessment)
        ),
    )
    blocked = (*_blocked(managed, facts), *_unsafe_next(managed, facts))
    lost = any(is_lost(course, facts, weight.kg) for course in _needed(managed))
    urgent = tuple([item for item in facts.protocol.emergency if is_shown(item, facts)])
    only = very_low or bool(urgent) or bool(blocked) or lost
    mode = _mode(managed, only=only)
    choice = _choice(mode, facts.answer(REFERRAL))
    missing = tuple(_missing(choice, managed, facts))
    return Situation(managed, very_low, too_light, blocked, choice, mode == "only", missing, urgent)


def _continued(facts: Facts, assessment: Assessment) -> Iterator[tuple[str, Class]]:
    """Classes of an earlier visit whose treatment goes on, with the class that says so now.

    One that holds again today is planned for in its own name.
    """
    for held in assessment.classes:
        for code in facts.protocol.plan_by_code[held.code].continues:
            if facts.classes.get(EARLIER + code) is Answer.YES and not assessment.holds(code):
                yield code, held


def _begun(facts: Facts, assessment: Assessment) -> Iterator[tuple[str, date]]:
    """The day on which a treatment that is followed up today was begun, by class.

    Also while the course is not judged yet: its table is asked, so it is not a new treatment.
    """
    asked = {result.table for result in assessment.rows}
    for table in facts.protocol.follow_up_tables & asked:
        for row in facts.protocol.table_by_code[table].rows:
            for code in facts.protocol.plan_by_code[row.code].continues:
                days = day_of_treatment(facts, code)
                if days is not None and days[0] > 0:
                    yield code, facts.case.as_of.date() - timedelta(days=int(days[0]) - 1)


def _managed(
    held: Class,
    code: str,
    facts: Facts,
    begun: Mapping[str, date],
    very_low: bool,
) -> Managed:
    plan, since = facts.protocol.plan_by_code[code], begun.get(code)
    care_only = any(
        facts.classes.get(NOW + other, Answer.NO) is not Answer.NO for other in plan.absorbed_by
    )
    regimen = None if care_only else _regimen(plan, facts)
    before = plan.before_referral if code == held.code else ()
    if regimen is None or not very_low:
        return Managed(held, plan, before, regimen, care_only, since)
    low = facts.protocol.low_weight
    if code not in low.instead_of:
        return Managed(held, plan, before, None, care_only, since)
    return Managed(held, plan, low.before_referral, low.regimen, care_only, since)


def _regimen(plan: ClassPlan, facts: Facts) -> Regimen | None:
    """The first regimen whose condition is known to hold; unknown falls to the next."""
    for regimen in plan.regimens:
        if regimen.when is None or holds(regimen.when, facts):
            return regimen
    return None


def _blocked(managed: tuple[Managed, ...], facts: Facts) -> tuple[str, ...]:
    signs: dict[str, None] = {}
    if not facts.any_yes(facts.protocol.allergy_signs):
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


def _unsafe_next(managed: tuple[Managed, ...], facts: Facts) -> Iterator[str]:
    """Signs that hold back the dose that is due now, of a medicine that was given before."""
    for medicine in facts.protocol.medicines if facts.case.given or facts.case.in_use else ():
        for item in medicine.before_next:
            if holds(item.when, facts) and _next_is_due(medicine, managed, facts):
                yield from (
                    test.code for test in finding_tests(item.when) if facts.is_yes(test.code)
                )


def _next_is_due(medicine: Medicine, managed: tuple[Managed, ...], facts: Facts) -> bool:
    """Whether a dose may have been given, long enough ago for the next, and more are to come."""
    kept = past(medicine.code, facts).kept
    soonest = timedelta(hours=int(medicine.not_before.value))
    if kept and facts.case.as_of - kept[0] < soonest:
        return False
    begun = min((item.since for item in _giving(medicine, managed) if item.since), default=None)
    so_far = doses_so_far(medicine, facts, begun)
    if not so_far:
        return False
    courses = [
        course
        for item in managed
        for course in (*item.before_referral, *(item.regimen.courses if item.regimen else ()))
        if medicine.code in course.medicines
    ]
    uses = [use for use in facts.case.in_use if use.medicine == medicine.code and use.ordered]
    days = [int(course.days.value) for course in courses if course.days is not None]
    days += [use.days for use in uses if use.days is not None]
    most = max(days, default=0) * int(medicine.times_a_day.value)
    return bool(courses or uses) and (not most or so_far < most)


def _giving(medicine: Medicine, managed: tuple[Managed, ...]) -> Iterator[Managed]:
    """What is managed with this medicine."""
    for item in managed:
        courses = item.regimen.courses if item.regimen else ()
        if any(medicine.code in course.medicines for course in courses):
            yield item


def _needed(managed: tuple[Managed, ...]) -> Iterator[Course]:
    """Every course without which a severe infection is not treated fully here, begun now."""
    for item in managed:
        if item.plan.referral == "choice" and item.regimen is not None and item.since is None:
            yield from item.regimen.courses


def is_lost(course: Course, facts: Facts, kg: Decimal | None) -> bool:
    """Whether none of its medicines can be given: then referral is the only safe course."""
    doses = (dose_of(facts.protocol.medicine_by_code[code], facts, kg) for code in course.medicines)
    return all(isinstance(dose, NoDose) and dose.code not in OPEN for dose in doses)


def _mode(managed: tuple[Managed, ...], *, only: bool) -> str:
    """What is said of referral; a treatment that only goes on says nothing of it again.

    `only`: something beside the classes leaves referral as the only safe course: the weight, an
    emergency sign, or that a medicine that is due cannot be given.
    """
    own = [item for item in managed if item.plan.code == item.held.code]
    modes = {item.plan.referral for item in own}
    pressed = any(item.regimen is not None and item.regimen.press_for_referral for item in own)
    if only or pressed or "only" in modes:
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
    regimens = item.plan.regimens
    if item.regimen is None or not regimens or item.regimen is regimens[0]:
        return []
    above = tuple(takewhile(lambda each: each is not item.regimen, regimens))
    if len(above) == len(regimens) or _is_running(item, facts):  # one of no class of its own
        return []
    why = Message("missing.regimen", (("row", Message(f"class.{item.held.code}")),))
    return [
        Missing("finding", test.code, why, required=False)
        for regimen in above
        if regimen.when is not None and evaluate(regimen.when, facts) is Answer.NOT_ASSESSED
        for test in leaves(regimen.when)
        if isinstance(test, FindingTest) and facts.answer(test.code) is Answer.NOT_ASSESSED
    ]


def _is_running(item: Managed, facts: Facts) -> bool:
    """Whether the treatment that goes on is on order already, so that no regimen is chosen."""
    if item.since is None or item.regimen is None:
        return False
    ordered = {use.medicine for use in facts.case.in_use}
    return all(ordered & set(course.medicines) for course in item.regimen.courses)
