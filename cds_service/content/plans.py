"""What each class is given, where, for how long, and when to return: the parts of a protocol."""

from dataclasses import dataclass

from cds_service.content.care import Assess, CareItem
from cds_service.content.model import Cite, Condition, Number


@dataclass(frozen=True, slots=True)
class Course:
    """One medicine line: the first of `medicines` that is allowed and in stock.

    `days` None is a single dose. `at_least`: the course may not be shorter, and is reviewed.
    `alternative` is a medicine offered beside it, under its own conditions.
    """

    medicines: tuple[str, ...]
    days: Number | None
    at_least: bool = False
    once: bool = False
    """A single dose that is not repeated, however long ago it was given in this illness."""
    alternative: str = ""
    per_kg_beside: bool = False
    """Print the exact per-kilogram volume beside a banded dose."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A follow-up: on day `after` (days from this visit), or every day until it.

    Text `visit.<code>`. `with_medicine`: the visits at which doses of that medicine are given,
    counted from its own first dose.
    """

    code: str
    cite: Cite
    after: Number
    daily: bool = False
    with_medicine: str = ""
    if_not_better: bool = False
    """Only when the infant does not improve: never the definite day to give."""


@dataclass(frozen=True, slots=True)
class PlanCaution:
    """A caution shown with a class or regimen; text `caution.<code>`."""

    code: str
    cite: Cite
    severity: str
    when: Condition | None = None
    values: tuple[tuple[str, Number], ...] = ()
    due_after: Number | None = None
    """Of something due on one day: so many days after the treatment began. On that day it is
    said in the text `today.<code>`, afterwards in `past.<code>`."""
    injections: str = ""
    """"due": only where an injection is due in the plan; "none": only where none is; "here": only
    where one is given here more than once, and the text is told which of them, how often
    (`injections`); "": whatever there is."""
    only_left: str = ""
    """A medicine: only where it alone is left of what the regimen gives."""


@dataclass(frozen=True, slots=True)
class Regimen:
    """What is given at this clinic: the first regimen whose `when` is YES (None: otherwise)."""

    code: str
    cite: Cite
    when: Condition | None
    courses: tuple[Course, ...]
    visits: tuple[Visit, ...]
    cautions: tuple[PlanCaution, ...] = ()
    press_for_referral: bool = False


@dataclass(frozen=True, slots=True)
class ClassPlan:
    """The management of one class.

    `referral` is "only" (refer is the one option, care here is interim), "choice" (refer, or
    treat here when referral is not possible) or "none". `absorbed_by`: when one of those
    classes holds too, or a severe row is still open, only the care of this one is given.
    """

    code: str
    cite: Cite
    referral: str
    before_referral: tuple[Course, ...]
    regimens: tuple[Regimen, ...]
    care: tuple[CareItem, ...]
    absorbed_by: tuple[str, ...] = ()
    cautions: tuple[PlanCaution, ...] = ()
    """Shown when the class holds, whatever is decided about referral."""
    fluids: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Branch ("refer" or "here") and the fluids that are due in it."""
    assessment: Assess | None = None
    """Sent for assessment at a hospital or service, without hurry."""
    continues: tuple[str, ...] = ()
    """Classes of an earlier visit whose treatment goes on while this class holds."""


@dataclass(frozen=True, slots=True)
class LowWeight:
    """Below `outpatient_from` no outpatient regimen; below `dose_from` no dose at all."""

    cite: Cite
    outpatient_from: Number
    dose_from: Number
    instead_of: tuple[str, ...]
    """The classes whose regimen this one takes the place of; any other gives none."""
    before_referral: tuple[Course, ...]
    """Single doses before referral, also where the class alone asks for none."""
    care: tuple[CareItem, ...]
    cautions: tuple[PlanCaution, ...]
    regimen: Regimen
    """Given while pressing for referral, when referral is impossible."""
