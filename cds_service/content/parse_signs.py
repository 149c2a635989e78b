"""signs.yaml and classifications.yaml: what is asked and measured, and the tables."""

from cds_service.content import codes
from cds_service.content.conditions import answer, conditions, maybe_condition
from cds_service.content.desk import COMPUTED, Desk
from cds_service.content.fields import Fields
from cds_service.content.model import Derived, Implication, Measure, Number, Row, Sign, Table
from cds_service.content.tree import Node
from cds_service.quantity import convertible

_SIGN = (
    "required lasting implies only-without not-judged reassuring snomed"
    " allergy-snomed allergy-atc allergy-words medicine-atc medicine-words"
)
_MEASURE = (
    "required lasting loinc unit units molar-mass possible wrong-unit repeat-within"
    " sites-that-exclude"
)
_ROW = "class severe no-illness otherwise when"
_TABLE = "when can-wait unless-severe rows"
SITES = ("axillary", "ear", "oral", "rectal")
_TIMES = ("min", "h", "d")


def signs(file: Fields) -> tuple[Sign, ...]:
    """The findings, in file order."""
    return tuple(
        fields.desk.keep(_sign(code, fields), fields.node)
        for code, fields in file.entries("findings", _SIGN)
    )


def measures(file: Fields) -> tuple[Measure, ...]:
    """The measures, in file order."""
    return tuple(
        fields.desk.keep(_measure(code, fields), fields.node)
        for code, fields in file.entries("measures", _MEASURE)
    )


def derived(file: Fields) -> tuple[Derived, ...]:
    """The facts made of others; each may use signs and those above it."""
    return tuple(
        fields.desk.keep(_derived(code, fields), fields.node)
        for code, fields in file.entries("derived", "first-known otherwise")
    )


def tables(root: Node, desk: Desk) -> tuple[Table, ...]:
    """The classification tables, in file order."""
    file = Fields(root, desk, " ".join(root.items()))
    return tuple(_table(code, file.inner(code, _TABLE)) for code in root.items())


def _table(code: str, fields: Fields) -> Table:
    made = Table(
        code=code,
        rows=_rows(fields),
        when=maybe_condition(fields, "when"),
        can_wait=fields.flag("can-wait"),
        unless_severe=fields.flag("unless-severe"),
    )
    return fields.desk.keep(made, fields.node)


def _sign(code: str, fields: Fields) -> Sign:
    known = fields.desk.names.signs
    always = fields.has("required") and fields.at("required").value == "always"
    if code in fields.desk.names.measures or code in COMPUTED:
        fields.desk.report(fields.node, f"{code} is a measure already; rename the sign")
    return Sign(
        code=code,
        cite=fields.cite,
        required=always,
        required_when=() if always else fields.names("required", known, "sign"),
        implies=_implies(fields),
        only_without=(
            fields.name("only-without", fields.desk.names.measures, "measure")
            if fields.has("only-without")
            else ""
        ),
        lasting=fields.flag("lasting"),
        snomed=fields.codes("snomed", codes.is_snomed, "SNOMED CT"),
        allergy_snomed=fields.codes("allergy-snomed", codes.is_snomed, "SNOMED CT"),
        allergy_atc=fields.codes("allergy-atc", codes.is_atc_group, "ATC"),
        allergy_words=tuple(fields.words("allergy-words")) if fields.has("allergy-words") else (),
        medicine_atc=fields.codes("medicine-atc", codes.is_atc_group, "ATC"),
        medicine_words=(
            tuple(fields.words("medicine-words")) if fields.has("medicine-words") else ()
        ),
        judged=not fields.flag("not-judged"),
        reassuring=fields.flag("reassuring"),
    )


def _implies(fields: Fields) -> tuple[Implication, ...]:
    if not fields.has("implies"):
        return ()
    named = fields.at("implies").items()
    inner = fields.inner("implies", " ".join(named))
    for code in named:
        if code not in fields.desk.names.signs:
            inner.fault(code, f"unknown sign {code}; correct it or declare it")
    return tuple(Implication(code, answer(inner, code)) for code in named)


def _measure(code: str, fields: Fields) -> Measure:
    if code in COMPUTED:
        fields.desk.report(fields.node, f"{code} is worked out, not measured; rename it")
    unit = fields.text("unit")
    units = fields.words("units")
    mass = fields.above_zero("molar-mass", "g/mol") if fields.has("molar-mass") else None
    masses = () if mass is None or unit != "mmol/L" else ("mg/dL",)
    for other in units:
        if not convertible(other, unit) and other not in masses:
            fields.fault("units", f"{other} cannot be turned into {unit}; remove it")
    if mass is not None and not set(masses) & set(units):
        fields.fault("molar-mass", "molar-mass is for a measure in mmol/L that is read in mg/dL")
    if unit not in units:
        fields.fault("units", f"units must name {unit} too")
    if not fields.words("loinc"):
        fields.fault("loinc", "loinc needs at least one code, the one to ask for first")
    possible = fields.inner("possible", "from to")
    doubtful = _wrong_unit(fields, unit, masses)
    return Measure(
        code=code,
        cite=fields.cite,
        loinc=fields.codes("loinc", codes.is_loinc, "LOINC"),
        unit=unit,
        units=units,
        possible=(possible.number("from", unit), possible.number("to", unit)),
        required=fields.choice("required", ("always",), "") == "always",
        lasting=fields.flag("lasting"),
        repeat_within=fields.maybe_number("repeat-within", *_TIMES),
        sites_that_exclude=fields.names("sites-that-exclude", SITES, "site"),
        molar_mass=mass,
        not_used_from=doubtful[0],
        doubted_below=doubtful[1],
    )


def _wrong_unit(
    fields: Fields, unit: str, masses: tuple[str, ...]
) -> tuple[Number | None, Number | None]:
    """From where up in `unit`, and below what in the other, a number is one of the other unit."""
    if not fields.has("wrong-unit"):
        return None, None
    if not masses:
        fields.fault("wrong-unit", "wrong-unit is for a measure in mmol/L that is read in mg/dL")
    inner = fields.inner("wrong-unit", "from below")
    return inner.above_zero("from", unit), inner.above_zero("below", *masses)


def _derived(code: str, fields: Fields) -> Derived:
    return Derived(
        code=code,
        first_known=conditions(fields, "first-known"),
        otherwise=answer(fields, "otherwise"),
        cite=fields.cite,
    )


def _rows(fields: Fields) -> tuple[Row, ...]:
    parts = fields.each("rows", _ROW)
    if not parts:
        fields.fault("rows", "the table has no rows")
    rows = []
    for part in parts:
        last = part is parts[-1]
        rows.append(part.desk.keep(_row(part, last=last), part.node))
    return tuple(rows)


def _row(fields: Fields, *, last: bool) -> Row:
    otherwise = fields.flag("otherwise")
    if otherwise and fields.has("when"):
        fields.fault("when", "a row has either when or otherwise: true")
    if otherwise and not last:
        fields.fault("otherwise", "otherwise: true belongs in the last row of a table")
    if not otherwise:
        fields.at("when")
        if fields.flag("no-illness"):
            # Else it could be said while a row above is still open (design, decision 3).
            fields.fault("no-illness", "a no-illness row is the last one, with otherwise: true")
    return Row(
        code=fields.text("class"),
        cite=fields.cite,
        when=None if otherwise else maybe_condition(fields, "when"),
        severe=fields.flag("severe"),
        no_illness=fields.flag("no-illness"),
    )
