"""FHIRPath of measured values: which one counts, and how it lies to a limit.

A limit is converted into each unit that is read, so that a value is compared as it was sent.
"""

from collections.abc import Iterator
from decimal import ROUND_CEILING, Decimal

from cds_service.content.model import DAY, Measure, MeasureTest, Number, table_tests
from cds_service.content.treatment import Protocol
from cds_service.fhir import terms
from cds_service.fhir.codes import LOINC, UCUM
from cds_service.fhir.fhirpath_data import TIME, Variable, largest, name, one_of, smallest
from cds_service.quantity import Quantity, plain

OPS = {"below": "<", "at-most": "<=", "at-least": ">=", "above": ">"}
_EXACT = Decimal("0.000001")
_WIDTH = 9
"""Characters of a number in a table that is written as one text."""


def measure_variables(protocol: Protocol) -> Iterator[Variable]:
    """For each measure: the values that may count, the one that does, whether more was sent."""
    for measure in protocol.measures:
        yield from _of(protocol, measure)
    yield from _weights(protocol)


def _of(protocol: Protocol, measure: Measure) -> Iterator[Variable]:
    own = name(measure.code)
    where = "measured" if measure.lasting else "measured_now"
    codes = (*measure.loinc, *(terms.SITE_BY_LOINC if measure.sites_that_exclude else ()))
    coded = f"code.coding.where(system = '{LOINC}' and (code in {one_of(codes)})).exists()"
    good = f"value.ofType(Quantity).where({_possible(measure)}).exists()"
    yield Variable(f"{own}_all", f"%{where}.where({coded} and {good})")
    sent = " or ".join(f"('{code}' in %unsettled)" for code in dict.fromkeys(codes))
    bad = f"%measured.where({coded} and {good}.not() and dataAbsentReason.empty()).exists()"
    yield Variable(f"{own}_open", f"{bad} or {sent}", "Something was sent that cannot be used.")
    yield Variable(f"{own}_time", largest(f"%{own}_all.select({TIME}.toDateTime())"))
    latest = f"%{own}_all.where({TIME}.empty() or {TIME}.toDateTime() = %{own}_time.toDateTime())"
    if measure.code == "weight" and "birth-weight" in protocol.measure_by_code:
        hours = int(protocol.weight_limits.birth_weight_usable.quantity.to("h").value)
        recent = f"{TIME} >= (%as_of.toDateTime() - {hours} hours)"
        untimed = f"{TIME}.empty() and (24 * (%age_high + 1) <= {hours})"
        stand_in = f"%birth_weight_latest.where(({recent}) or ({untimed}))"
        latest = f"iif(%weight_all.exists(), {latest}, {stand_in})"
    yield Variable(f"{own}_latest", latest)
    if not measure.lasting:
        yield Variable(f"{own}_old", f"%old.where({coded} and {good})", "Of earlier visits.")
        times = f"%{own}_old.select({TIME}.toDateTime())"
        last = f"%{own}_old.where({TIME}.toDateTime() = {largest(times)})"
        yield Variable(f"{own}_before_visit", last, "The latest of earlier visits.")
    if measure.sites_that_exclude:
        yield Variable(f"{own}_elsewhere", f"%{own}_latest.where({_elsewhere()}).exists()")
        yield Variable(f"{own}_rules_out", f"%{own}_latest.exists() and %{own}_elsewhere.not()")
    if measure.repeat_within is not None:
        yield from _repeats(own, measure.repeat_within)


def _possible(measure: Measure) -> str:
    """Whether a Quantity has a unit that is read and lies where such a value can lie."""
    ranges = (f"(code = '{unit}' and {_believed(measure, unit)})" for unit in measure.units)
    return f"system = '{UCUM}' and comparator.empty() and ({' or '.join(ranges)})"


def _believed(measure: Measure, unit: str) -> str:
    """Whether a number in this unit is possible, and not most likely one of another unit."""
    low, high = map(_decimal, measure.ends(unit))
    lies, limit = f"value >= {low} and value <= {high}", measure.not_used_from
    if limit is None or limit.unit != unit:
        return lies
    return f"{lies} and value < {_decimal(limit.value)}"


def _limit(test: MeasureTest, measure: Measure, unit: str) -> str:
    """The limit for a value in a unit, as a FHIRPath decimal."""
    kept = measure.kept_in(unit)
    return _decimal(Quantity(test.limit_in(kept), kept).to(unit).value)


def _decimal(value: Decimal) -> str:
    text = f"{plain(value):f}"
    return text if "." in text else f"{text}.0"


def _elsewhere() -> str:
    """Whether a temperature was taken at a site whose normal value rules nothing out."""
    others = tuple(code for code, site in terms.SITE_BY_LOINC.items() if site != "axillary")
    armpit = tuple(code for code, site in terms.SITE_BY_SNOMED.items() if site == "axillary")
    coded = f"code.coding.where(code in {one_of(others)}).exists()"
    said = f"bodySite.coding.where(code in {one_of(armpit)}).exists()"
    return f"{coded} or (bodySite.exists() and {said}.not())"


def _repeats(own: str, within: Number) -> Iterator[Variable]:
    """The last count of the visit and the one before it, if that is near enough."""
    value = "value.ofType(Quantity).value"
    minutes = int(within.quantity.to("min").value)
    at_last = f"%{own}_all.where({TIME}.toDateTime() = %{own}_time.toDateTime()).{value}"
    untimed = f"%{own}_all.where({TIME}.empty()).{value}"
    last = f"iif(%{own}_time.exists(), {largest(at_last)}, {largest(untimed)})"
    yield Variable(f"{own}_last", last, "The last count of the visit.")
    lower = f"{at_last}.where($this < %{own}_last)"
    earlier = f"%{own}_all.where({TIME}.toDateTime() < %{own}_time.toDateTime())"
    yield Variable(f"{own}_time_before", largest(f"{earlier}.select({TIME}.toDateTime())"))
    at_before = f"%{own}_all.where({TIME}.toDateTime() = %{own}_time_before.toDateTime()).{value}"
    near = f"%{own}_time.toDateTime() <= %{own}_time_before.toDateTime() + {minutes} minutes"
    timed = (
        f"iif({lower}.exists(), {largest(lower)}, iif(%{own}_time_before.exists(), "
        f"iif({near}, {largest(at_before)}, {{}}), {largest(untimed)}))"
    )
    twice = f"{untimed}.where($this = %{own}_last).count() > 1"
    free = f"iif({twice}, %{own}_last, {largest(f'{untimed}.where($this < %{own}_last)')})"
    yield Variable(
        f"{own}_before", f"iif(%{own}_time.exists(), {timed}, {free})", "The count before it."
    )


def compared(test: MeasureTest, protocol: Protocol, *, row: bool) -> str:
    """The test as an expression: true, false, or empty for unknown."""
    if test.measure in ("age", DAY, "age-hours", "weight-for-age"):
        known = _computed(test)
    else:
        row = row and test.if_unknown.value == "not-assessed"
        known = _measured(test, protocol.measure_by_code[test.measure], row=row)
    if test.if_unknown.value == "not-assessed":
        return known
    safer = "true" if test.if_unknown.value == "yes" else "false"
    return f"iif({known}.exists(), {known}, {safer})"


def newly(test: MeasureTest, measure: Measure) -> str:
    """Whether a value passes now, and the latest of an earlier visit did not."""
    own, passes = name(test.measure), f"value.ofType(Quantity).where({_passes(test, measure)})"
    if measure.lasting:  # what lasts is of no earlier visit
        return "false"
    before = f"%{own}_before_visit.exists() and %{own}_before_visit.{passes}.empty()"
    return f"({before} and %{own}_latest.{passes}.exists())"


def _measured(test: MeasureTest, measure: Measure, *, row: bool) -> str:
    own = name(test.measure)
    is_open = f"%{own}_open"
    absent = "{}" if measure.required or not row else f"iif({is_open}, {{}}, false)"
    if test.confirmed:
        said = _confirmed(test, own)
    else:
        values = f"%{own}_latest" if measure.repeat_within is None else f"%{own}_all"
        passes = f"{values}.value.ofType(Quantity).where({_passes(test, measure)}).exists()"
        otherwise = f"iif(%{own}_elsewhere, {{}}, false)" if measure.sites_that_exclude else "false"
        said = f"iif({passes}, true, {otherwise})"
    if row:
        said = f"iif({said} = false and {is_open}, {{}}, {said})"
    return f"iif(%{own}_latest.empty(), {absent}, {said})"


def _passes(test: MeasureTest, measure: Measure) -> str:
    return " or ".join(
        f"(code = '{unit}' and value {OPS[test.op]} {_limit(test, measure, unit)})"
        for unit in measure.units
    )


def _confirmed(test: MeasureTest, own: str) -> str:
    limit = f"{OPS[test.op]} {_decimal(test.limit.value)}"
    both = f"(%{own}_last {limit}) and (%{own}_before {limit})"
    return f"iif(%{own}_before.exists(), {both}, iif(%{own}_last {limit}, {{}}, false))"


def _computed(test: MeasureTest) -> str:
    limit = f"{plain(test.limit.value):f}"
    if test.measure == "weight-for-age":
        return _span("%z_low", "%z_high", f"{OPS[test.op]} {_decimal(test.limit.value)}")
    if test.measure == DAY:
        own = f"%day_{name(test.since)}"
        return _span(own, own, f"{OPS[test.op]} {limit}")
    if test.measure == "age":
        return _span("%age_low", "%age_high", f"{OPS[test.op]} {limit}")
    return _hours(test)


def _span(low: str, high: str, against: str) -> str:
    """True or false where both ends of a span agree, else empty."""
    both, either = (f"({low} {against}) {word} ({high} {against})" for word in ("and", "or"))
    return f"iif({low}.empty(), {{}}, iif({both}, true, iif({either}, {{}}, false)))"


def _hours(test: MeasureTest) -> str:
    """Hours since the birth, below a limit; other comparisons turned into that one."""
    whole = int(test.limit.value) + (test.op in ("at-most", "above"))
    moment = "%as_of.toDateTime()"
    first, last = (f"%birth_{end}.toDateTime() + {whole} hours" for end in ("first", "last"))
    known = f"iif({moment} < {first}, true, iif({moment} < {last}, {{}}, false))"
    by_days = _span("(24 * iif(%age_low > 1, %age_low - 1, 0))", "(24 * (%age_high + 1))",
                    f"< {whole}")  # fmt: skip
    below = f"iif(%birth_first.exists(), {known}, iif(%age_low.empty(), {{}}, {by_days}))"
    return below if test.op in ("below", "at-most") else f"({below}).not()"


def _weights(protocol: Protocol) -> Iterator[Variable]:
    """The weight in kg, and its weight-for-age as the z-scores of the tested limits."""
    value = "value.ofType(Quantity)"
    in_kg = (
        f"{value}.select(iif(code = 'kg', value, iif(code = 'g', value / 1000, "
        "value * 0.45359237)))"
    )
    yield Variable("kg", smallest(f"%weight_latest.{in_kg}"), "The weight in kilograms.")
    born = f"%birth_weight_latest.{in_kg}.first()"
    limits = protocol.weight_limits
    change = f"((%kg / {born} - 1) * 100)"
    newborn = f"%age_low < {limits.newborn_days} and %weight_all.exists()"
    lost = f"{change} < {_decimal(-limits.newborn_loss.value)}"
    gained = f"{change} > {_decimal(limits.newborn_gain.value)}"
    too_heavy = " or ".join(
        f"(({_sex(sex)}) and (%kg > {_at(_column(table, 1), '%age_low')}))"
        for sex, table in protocol.weight_flags.items()
    )
    minutes = int(protocol.visit_length.quantity.to("min").value)
    share = _decimal(limits.agree_within.value / 100)
    far = f"iif($this > %kg, $this - %kg, %kg - $this) > {share} * iif($this > %kg, $this, %kg)"
    recent = f"iif({TIME} < %weight_time.toDateTime() - {minutes} minutes, false, true)"
    yield Variable("weights_of_visit", f"%weight_all.where({recent}).{in_kg}")
    another = (
        f"iif({TIME}.empty(), %weight_time.exists(), "
        f"{TIME}.toDateTime() != %weight_time.toDateTime())"
    )
    yield Variable("weights_of_others", f"%weight_all.where({another}).{in_kg}")
    differ = f"%weights_of_visit.where({far}).exists()"
    alone = f"%weights_of_others.where(({far}).not()).empty()"
    again = f"%kg >= {_decimal(limits.weigh_again_from.value)}"
    newly = f"{newborn} and (({lost}) or ({gained}))"
    doubted = f"{differ} or ((({again}) or ({too_heavy}) or ({newly})) and {alone})"
    yield Variable("weight_doubted", doubted, "The weight is to be taken again.")
    yield from _scores(protocol)


def _column(table: tuple[tuple[Decimal, Decimal], ...], which: int) -> list[Decimal]:
    return [limits[which] for limits in table]


def _sex(sex: str) -> str:
    """Whether the infant may be of that sex."""
    gender = "%data.entry.resource.ofType(Patient).gender.first()"
    other = "female" if sex == "male" else "male"
    return f"iif({gender} = '{other}', false, true)"


def _scores(protocol: Protocol) -> Iterator[Variable]:
    """One z-score below and one above the limit stand for all: a test asks for no more."""
    tests = protocol.made.setdefault("z-limits", _z_limits(protocol))
    if len(tests) > 1:
        raise ValueError("more than one limit of weight-for-age; publish each")
    for limit in tests:
        weights = {
            sex: [_weight_at(lms, limit) for lms in getattr(protocol.growth, sex)]
            for sex in ("male", "female")
        }
        below = [
            f"({_sex(sex)} and (%kg < {_at(table, age)}))"
            for sex, table in weights.items()
            for age in ("%age_low", "%age_high")
        ]
        above = [
            f"({_sex(sex)} and (%kg >= {_at(table, age)}))"
            for sex, table in weights.items()
            for age in ("%age_low", "%age_high")
        ]
        usable = "%kg.exists() and %age_low.exists() and iif(%weight_doubted, false, true)"
        low, high = _decimal(limit - 1), _decimal(limit + 1)
        for end, cases, then, other in (("low", below, low, high), ("high", above, high, low)):
            said = f"iif({' or '.join(cases)}, {then}, {other})"
            inside = f"{usable} and %age_high < {int(protocol.age_below.quantity.to('d').value)}"
            yield Variable(
                f"z_{end}", f"iif({inside}, {said}, {{}})", "On which side of the limit."
            )


def _z_limits(protocol: Protocol) -> list[Decimal]:
    found = {
        test.limit.value
        for table in protocol.tables
        for test in table_tests(table)
        if isinstance(test, MeasureTest) and test.measure == "weight-for-age"
    }
    return sorted(found)


def _weight_at(lms: tuple[Number, Number, Number], z: Decimal) -> Decimal:
    """The smallest weight (kg, micrograms exact) that is not below z. WHO LMS method."""
    skew, median, spread = (number.value for number in lms)
    exact: Decimal = median * (1 + skew * spread * z) ** (1 / skew)
    return exact.quantize(_EXACT, ROUND_CEILING)


def _at(table: list[Decimal], age: str) -> str:
    """The number of a day, from a table that is written as one text."""
    written = "".join(f"{value.quantize(_EXACT):0{_WIDTH}f}" for value in table)
    return f"'{written}'.substring({age} * {_WIDTH}, {_WIDTH}).toDecimal()"
