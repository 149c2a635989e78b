"""medicines/*.yaml: one medicine a file, its dose rules and its formulations."""

from cds_service.content import codes
from cds_service.content.conditions import condition, maybe_condition
from cds_service.content.desk import Desk
from cds_service.content.fields import Fields
from cds_service.content.medicine import (
    Band,
    Cell,
    Contraindication,
    DoseRule,
    Formulation,
    Medicine,
    MedicineCaution,
    Part,
    PerKg,
)
from cds_service.content.model import MeasureTest, Number, leaves
from cds_service.content.tree import Node
from cds_service.quantity import Quantity

ROUNDINGS = ("nearest", "down")
SEVERITIES = ("high", "moderate", "low")
ROUTES = ("oral", "oromucosal", "intramuscular")
_MEDICINE = (
    "code atc route site age-of times-a-day interval not-before target ceiling hard-max avoid-with "
    "ask-first prefer split-above senior-above offered-when contraindications before-next "
    "if-open cautions rules formulations"
)
_CONTRAINDICATION = "code when severity asked waits values"
AGES = ("first-day", "each-day")
_CAUTION = "code when severity beyond stop-at after-first values"
_FORM = "code form snomed strength counted beside made-up dilute step pack pack-size shelf-life"
_BAND = "code from below cells prefer per-kg caution"
_PER_KG = "dose range rounded-range round step"
_DOSES = ("mg/kg", "[iU]/kg", "mL/kg")
_SUBSTANCES = ("mg", "[iU]")
_MEASURED = ("mL", "{tbl}")


def medicine(root: Node, desk: Desk) -> Medicine:
    """Read one medicine."""
    fields = Fields(root, desk, _MEDICINE)
    forms = tuple(_formulation(part) for part in fields.each("formulations", _FORM))
    known = tuple(form.code for form in forms)
    prefer = fields.names("prefer", known, "formulation")
    made = Medicine(
        code=fields.text("code"),
        cite=fields.cite,
        atc=fields.code("atc", codes.is_atc, "ATC"),
        route=fields.choice("route", ROUTES),
        site=fields.text("site", None if fields.text("route") == "intramuscular" else ""),
        times_a_day=fields.above_zero("times-a-day", "/d"),
        interval=fields.above_zero("interval", "h"),
        not_before=fields.above_zero("not-before", "h"),
        ceiling=fields.maybe_number("ceiling", *_SUBSTANCES),
        hard_max=fields.maybe_number("hard-max", *_DOSES),
        target=fields.maybe_number("target", *_DOSES),
        rules=tuple(
            _rule(part, known, prefer)
            for part in fields.each("rules", "code when per-kg bands fixed")
        ),
        formulations=forms,
        prefer=prefer,
        avoid_with=fields.names("avoid-with", desk.names.signs, "sign"),
        ask_first=fields.names("ask-first", fields.words("avoid-with"), "sign of avoid-with"),
        offered_when=maybe_condition(fields, "offered-when"),
        cautions=tuple(_caution(part) for part in fields.each("cautions", _CAUTION)),
        split_above=fields.maybe_number("split-above", *_MEASURED),
        senior_above=fields.maybe_number("senior-above", *_MEASURED),
        contraindications=tuple(
            _contraindication(part) for part in fields.each("contraindications", _CONTRAINDICATION)
        ),
        before_next=tuple(
            _contraindication(part) for part in fields.each("before-next", _CONTRAINDICATION)
        ),
        if_open=fields.text("if-open", "rule-open"),
        each_day=fields.choice("age-of", AGES, AGES[0]) == AGES[1],
    )
    rules = [rule.when for rule in made.rules if rule.when is not None]
    tested = {
        test.measure for when in rules for test in leaves(when) if isinstance(test, MeasureTest)
    }
    if ("age" in tested) != fields.has("age-of"):
        fields.fault(
            "age-of",
            "age-of says which day's age counts for a course: it goes with rules that test the age",
        )
    if root.file != f"medicines/{made.code}.yaml":
        fields.fault("code", f"the code {made.code} differs from the file's name; rename one")
    return desk.keep(made, root)


def _contraindication(fields: Fields) -> Contraindication:
    made = Contraindication(
        code=fields.text("code"),
        cite=fields.cite,
        when=condition(fields.at("when"), fields.desk, fields.cite),
        severity=fields.choice("severity", SEVERITIES),
        asked=fields.flag("asked"),
        waits=fields.flag("waits"),
        values=fields.numbers("values"),
    )
    return fields.desk.keep(made, fields.node)


def _caution(fields: Fields) -> MedicineCaution:
    made = MedicineCaution(
        code=fields.text("code"),
        cite=fields.cite,
        when=maybe_condition(fields, "when"),
        severity=fields.choice("severity", SEVERITIES),
        beyond=fields.maybe_number("beyond", "d"),
        stop_at=fields.maybe_number("stop-at", "d"),
        after_first=fields.text("after-first", ""),
        values=fields.numbers("values"),
    )
    return fields.desk.keep(made, fields.node)


def _formulation(fields: Fields) -> Formulation:
    label = strength(fields, "strength", (*_MEASURED, "{vial}"))
    made_up = strength(fields, "made-up", _MEASURED) if fields.has("made-up") else label
    made = Formulation(
        code=fields.text("code"),
        cite=fields.cite,
        form=fields.text("form"),
        form_snomed=fields.code("snomed", codes.is_snomed, "SNOMED CT"),
        label_strength=label,
        substance=made_up[0],
        per=made_up[1],
        step=fields.number("step", *_MEASURED),
        pack=fields.choice("pack", ("{bottle}", "{vial}", "{tbl}")),
        pack_size=fields.number("pack-size", *_MEASURED),
        shelf_life=fields.maybe_number("shelf-life", "h", "d"),
        dilute=fields.maybe_number("dilute", "mL"),
        counted=fields.text("counted", ""),
        beside=tuple(Part(code, each.quantity) for code, each in fields.numbers("beside")),
    )
    if bool(made.counted) != bool(made.beside):
        fields.desk.report(fields.node, "counted and beside go together; write both or neither")
    return fields.desk.keep(made, fields.node)


def strength(fields: Fields, key: str, per: tuple[str, ...]) -> tuple[Quantity, Quantity]:
    """How much substance in how much: [250 mg, 5 mL]."""
    substance, amount = fields.pair(key, *_SUBSTANCES, *per)
    if substance.unit not in _SUBSTANCES or amount.unit in _SUBSTANCES:
        fields.fault(key, f"{key} says how much substance in how much: [250 mg, 5 mL]")
    return (Quantity(substance.value, substance.unit), Quantity(amount.value, amount.unit))


def _rule(fields: Fields, known: tuple[str, ...], prefer: tuple[str, ...]) -> DoseRule:
    if sum(map(fields.has, ("per-kg", "bands", "fixed"))) != 1:
        fields.desk.report(fields.node, "a rule has one of per-kg, bands and fixed")
    fixed = fields.numbers("fixed")
    for code in (code for code, _ in fixed if code not in known):
        fields.fault("fixed", f"unknown formulation {code}; declare it or correct it")
    made = DoseRule(
        code=fields.text("code"),
        cite=fields.cite,
        when=maybe_condition(fields, "when"),
        per_kg=_per_kg(fields),
        bands=tuple(_band(part, known, prefer) for part in fields.each("bands", _BAND)),
        fixed=fixed,
    )
    return fields.desk.keep(made, fields.node)


def _band(fields: Fields, known: tuple[str, ...], prefer: tuple[str, ...]) -> Band:
    if fields.has("per-kg") == fields.has("cells"):
        fields.desk.report(fields.node, "a band has either cells or per-kg")
    cells = fields.entries("cells", "give range") if fields.has("cells") else []
    for code, cell in cells:
        if code not in known:
            cell.desk.report(cell.node, f"unknown formulation {code}; declare it or correct it")
    made = Band(
        code=fields.text("code"),
        cite=fields.cite,
        low=fields.number("from", "kg"),
        high=fields.maybe_number("below", "kg"),
        cells=tuple(_cell(code, cell) for code, cell in cells),
        prefer=fields.names("prefer", known, "formulation") if fields.has("prefer") else prefer,
        per_kg=_per_kg(fields),
        caution=fields.text("caution", ""),
    )
    return fields.desk.keep(made, fields.node)


def _cell(code: str, fields: Fields) -> Cell:
    low, high = fields.pair("range", *_DOSES)
    made = Cell(code, fields.number("give", *_MEASURED), low, high)
    return fields.desk.keep(made, fields.node)


def _per_kg(above: Fields) -> PerKg | None:
    if not above.has("per-kg"):
        return None
    fields = above.inner("per-kg", _PER_KG)
    low, high = fields.pair("range", *_DOSES)
    rounded: tuple[Number, Number] = fields.pair("rounded-range", *_DOSES)
    made = PerKg(
        target=fields.number("dose", *_DOSES),
        low=low,
        high=high,
        rounded_low=rounded[0],
        rounded_high=rounded[1],
        rounding=fields.choice("round", ROUNDINGS),
        step=fields.maybe_number("step", *_MEASURED),
    )
    return fields.desk.keep(made, fields.node)
