"""treatments.yaml: emergency actions, the plan of each class, low weight, counselling."""

from cds_service.content.care import Amount, Assess, CareItem
from cds_service.content.conditions import maybe_condition
from cds_service.content.fields import Fields
from cds_service.content.parse_medicine import ROUNDINGS, SEVERITIES, strength
from cds_service.content.plans import ClassPlan, Course, LowWeight, PlanCaution, Regimen, Visit

REFERRALS = ("only", "choice", "none")
BRANCHES = ("refer", "here")
INJECTIONS = ("due", "none", "here")
_CARE = "code when unless values amounts"
_AMOUNT = "step round within at-most strength"
_COURSE = "medicines for at-least once alternative per-kg-beside"
_REGIMEN = "code when press-for-referral courses visits cautions"
_LOW_WEIGHT = "outpatient-from dose-from instead-of before-referral care cautions regimen"
_VISIT = "code after daily with if-not-better"
_PLAN = "referral before-referral care cautions regimens absorbed-by "
_PLAN += "fluids refer-for-assessment continues"


def care(fields: Fields, key: str) -> tuple[CareItem, ...]:
    """The care items of the list under a key; empty when it is not written."""
    return tuple(_care(part) for part in fields.each(key, _CARE))


def plans(file: Fields) -> tuple[ClassPlan, ...]:
    """The plan of each class, in file order."""
    return tuple(
        fields.desk.keep(_plan(code, fields), fields.node)
        for code, fields in file.entries("plans", _PLAN)
    )


def low_weight(file: Fields) -> LowWeight:
    """What is done below the lowest weight that is treated outside a hospital."""
    fields = file.inner("low-weight", _LOW_WEIGHT)
    outpatient, dose = fields.number("outpatient-from", "kg"), fields.number("dose-from", "kg")
    if not 0 < dose.value <= outpatient.value:
        fields.fault("dose-from", "dose-from lies above zero and not above outpatient-from")
    return LowWeight(
        cite=fields.cite,
        outpatient_from=outpatient,
        dose_from=dose,
        instead_of=fields.names("instead-of", fields.desk.names.classes, "class"),
        before_referral=_courses(fields, "before-referral"),
        care=care(fields, "care"),
        cautions=cautions(fields),
        regimen=_regimen(fields.inner("regimen", _REGIMEN)),
    )


def _care(fields: Fields) -> CareItem:
    made = CareItem(
        code=fields.text("code"),
        cite=fields.cite,
        when=maybe_condition(fields, "when"),
        unless=maybe_condition(fields, "unless"),
        values=fields.numbers("values"),
        amounts=_amounts(fields),
    )
    return fields.desk.keep(made, fields.node)


def _amounts(fields: Fields) -> tuple[Amount, ...]:
    """The numbers per kilogram among the values that are worked out for a weight."""
    values = dict(fields.numbers("values"))
    made = []
    for name, part in fields.entries("amounts", _AMOUNT) if fields.has("amounts") else ():
        if name not in values or values[name].unit not in ("mL/kg", "mg/kg"):
            part.desk.report(part.node, f"values has no {name} in mL/kg or mg/kg; add it")
            continue
        made.append(
            Amount(
                name=name,
                per_kg=values[name],
                step=part.above_zero("step", "mL", "mg"),
                rounding=part.choice("round", ROUNDINGS),
                within=part.number("within", "%"),
                at_most=part.maybe_number("at-most", "mL", "mg"),
                strength=strength(part, "strength", ("mL",)) if part.has("strength") else None,
            )
        )
    return tuple(made)


def _fluids(fields: Fields) -> tuple[tuple[str, tuple[str, ...]], ...]:
    if not fields.has("fluids"):
        return ()
    inner, known = fields.inner("fluids", " ".join(BRANCHES)), fields.desk.names.fluids
    return tuple((branch, inner.names(branch, known, "fluid")) for branch in BRANCHES)


def _plan(code: str, fields: Fields) -> ClassPlan:
    return ClassPlan(
        code=code,
        cite=fields.cite,
        referral=fields.choice("referral", REFERRALS),
        before_referral=_courses(fields, "before-referral"),
        regimens=_regimens(fields),
        care=care(fields, "care"),
        absorbed_by=fields.names("absorbed-by", fields.desk.names.classes, "class"),
        fluids=_fluids(fields),
        cautions=cautions(fields),
        assessment=_assess(fields),
        continues=fields.names("continues", fields.desk.names.classes, "class"),
    )


def _assess(above: Fields) -> Assess | None:
    if not above.has("refer-for-assessment"):
        return None
    fields = above.inner("refer-for-assessment", "when")
    return Assess(fields.cite, maybe_condition(fields, "when"))


def _regimens(fields: Fields) -> tuple[Regimen, ...]:
    parts = fields.each("regimens", _REGIMEN)
    for part in parts:
        if part.has("when") == (part is parts[-1]):
            part.desk.report(part.node, "every regimen has a when, except the last, which has none")
    return tuple(_regimen(part) for part in parts)


def _regimen(fields: Fields) -> Regimen:
    made = Regimen(
        code=fields.text("code"),
        cite=fields.cite,
        when=maybe_condition(fields, "when"),
        courses=_courses(fields, "courses"),
        visits=tuple(_visit(part) for part in fields.each("visits", _VISIT)),
        cautions=cautions(fields),
        press_for_referral=fields.flag("press-for-referral"),
    )
    return fields.desk.keep(made, fields.node)


def _courses(fields: Fields, key: str) -> tuple[Course, ...]:
    return tuple(_course(part) for part in fields.each(key, _COURSE))


def _course(fields: Fields) -> Course:
    known = fields.desk.names.medicines
    if not fields.words("medicines"):
        fields.fault("medicines", "a course names at least one medicine")
    return Course(
        medicines=fields.names("medicines", known, "medicine"),
        days=fields.above_zero("for", "d") if fields.has("for") else None,
        at_least=fields.flag("at-least"),
        once=fields.flag("once"),
        alternative=(
            fields.name("alternative", known, "medicine") if fields.has("alternative") else ""
        ),
        per_kg_beside=fields.flag("per-kg-beside"),
    )


def _visit(fields: Fields) -> Visit:
    made = Visit(
        code=fields.text("code"),
        cite=fields.cite,
        after=fields.above_zero("after", "d"),
        daily=fields.flag("daily"),
        if_not_better=fields.flag("if-not-better"),
        with_medicine=(
            fields.name("with", fields.desk.names.medicines, "medicine")
            if fields.has("with")
            else ""
        ),
    )
    return fields.desk.keep(made, fields.node)


_CAUTION = "code severity when values due-after injections only-left"


def cautions(fields: Fields) -> tuple[PlanCaution, ...]:
    """The cautions of the list under the key `cautions`."""
    return tuple(_caution(part) for part in fields.each("cautions", _CAUTION))


def _caution(fields: Fields) -> PlanCaution:
    made = PlanCaution(
        code=fields.text("code"),
        cite=fields.cite,
        severity=fields.choice("severity", SEVERITIES),
        when=maybe_condition(fields, "when"),
        values=fields.numbers("values"),
        due_after=fields.maybe_number("due-after", "d"),
        injections=fields.choice("injections", INJECTIONS) if fields.has("injections") else "",
        only_left=(
            fields.name("only-left", fields.desk.names.medicines, "medicine")
            if fields.has("only-left")
            else ""
        ),
    )
    return fields.desk.keep(made, fields.node)
