"""FHIRPath variables that read the input Bundle: the visit, its Observations, age, earlier classes.

Variables are evaluated in their order; `%data` is the Bundle, `%asOf` the moment of the visit (a
dateTime with its offset, or empty). Only FHIRPath of the normative release is used.
http://hl7.org/fhirpath/N1; FHIR R4 fhirpath.html.
"""

from collections.abc import Iterator
from typing import Final, NamedTuple

from cds_service.content.treatment import Protocol
from cds_service.fhir import terms
from cds_service.fhir.codes import BIRTH_TIME, LOINC, UCUM
from cds_service.fhir.read_visit import CLOCK_SKEW


class Variable(NamedTuple):
    """One named expression, and what it is in words."""

    name: str
    expression: str
    about: str = ""


TIME: Final = (
    "iif(effective is Period, iif(effective.end.exists(), effective.end, effective.start), "
    "effective)"
)
"""The time of an Observation: of a period its end, else its start."""
_DATED: Final = "iif(recordedDate.exists(), recordedDate, onset)"
_USABLE: Final = "('final' | 'amended' | 'corrected' | 'preliminary')"
_OPEN: Final = "('registered' | 'unknown')"
_IS_CODE: Final = "(system.endsWith('/CodeSystem/finding') or system = 'http://snomed.info/sct')"
_MAX: Final = "aggregate(iif($total.empty(), $this, iif($this > $total, $this, $total)))"
_MIN: Final = "aggregate(iif($total.empty(), $this, iif($this < $total, $this, $total)))"


def name(code: str) -> str:
    """A code as the name of a variable.

    >>> name("unable-to-feed")
    'unable_to_feed'
    """
    return code.replace("-", "_")


def one_of(codes: tuple[str, ...]) -> str:
    """A collection of texts, in brackets.

    >>> one_of(("a", "b"))
    "('a' | 'b')"
    """
    return f"({' | '.join(repr(code) for code in codes)})"


def largest(collection: str) -> str:
    """The largest of a collection; empty when that is."""
    return f"{collection}.{_MAX}"


def smallest(collection: str) -> str:
    """The smallest of a collection; empty when that is."""
    return f"{collection}.{_MIN}"


def day(text: str, *, month: int = 0, date: int = 0) -> str:
    """A day number for a text that begins YYYY-MM-DD; days of the calendar lie one apart.

    The usual formula for the years 1901 to 2099; `month`, `date`: instead of what is written.
    """
    year = f"{text}.substring(0, 4).toInteger()"
    in_year = str(month) if month else f"{text}.substring(5, 2).toInteger()"
    of_month = str(date) if date else f"{text}.substring(8, 2).toInteger()"
    return _day(year, in_year, of_month)


def _day(year: str, month: str, date: str) -> str:
    return (
        f"(367 * {year} - (7 * ({year} + ({month} + 9) div 12)) div 4 "
        f"+ (275 * {month}) div 9 + {date})"
    )


def answered(answer: str) -> str:
    """Whether an Observation says yes ("yes") or no ("no"), with any coding that is read."""
    codings = " or ".join(
        f"(system = '{system}' and code = '{code}')"
        for (system, code), meaning in terms.ANSWERS.items()
        if meaning.value == answer
    )
    said = "true" if answer == "yes" else "false"
    coded = f"value.ofType(CodeableConcept).coding.where({codings}).exists()"
    return f"iif(value.ofType(boolean) = {said}, true, {coded})"


def visit_variables(protocol: Protocol) -> Iterator[Variable]:
    """When the visit is, and which Observations belong to it."""
    minutes = int(protocol.visit_length.quantity.to("min").value)
    skew = int(CLOCK_SKEW.total_seconds()) // 60
    encounter = (
        "%data.entry.resource.ofType(Encounter)"
        ".where((status in ('planned' | 'cancelled' | 'entered-in-error')).not()).period"
    )
    yield Variable("begun", f"{encounter}.start.first()", "When the encounter began.")
    yield Variable("as_of", "iif(%asOf.exists(), %asOf, %begun).toDateTime()", "The visit.")
    yield Variable("as_of_text", "%as_of.toDateTime().toString()")
    yield Variable("today", day("%as_of_text"), "Its day, as a number.")
    after = f"%as_of.toDateTime() + {skew} minutes"
    end = f"%as_of.toDateTime() + {minutes} minutes"
    ended = f"iif({encounter}.end.exists(), {encounter}.end.first().toDateTime(), {end})"
    yield Variable("latest", f"iif(%asOf.exists(), {after}, {ended})", "Later is not used.")
    before = f"%as_of.toDateTime() - {minutes} minutes"
    within = "(%begun.toDateTime() > %oldest_possible.toDateTime())"
    started = f"(%begun.toDateTime() <= %latest.toDateTime()) and {within}"
    yield Variable("oldest_possible", before)
    oldest = f"iif({started}, %begun.toDateTime(), %oldest_possible.toDateTime())"
    yield Variable("oldest", oldest, "What is older is not of this visit.")
    yield Variable(
        "names",
        "%data.entry.where(resource.ofType(Patient).exists())"
        ".select(fullUrl | ('Patient/' + resource.id))",
        "How the infant is referred to.",
    )
    future = f"({TIME} > %latest.toDateTime())"
    yield Variable(
        "own",
        "%data.entry.resource.ofType(Observation)"
        ".where(subject.reference.empty() or (subject.reference in %names))",
        "The infant's Observations, and those that do not say whose they are.",
    )
    yield Variable(
        "usable",
        f"%own.where(subject.reference.exists() and (status in {_USABLE}) "
        f"and iif({future}, false, true))",
        "Those that may be used.",
    )
    yield Variable(
        "measured", f"%usable.where(code.coding.where(system = '{LOINC}').exists())", "By LOINC."
    )
    recent = f"%usable.where(iif({TIME} < %oldest.toDateTime(), false, true))"
    yield Variable("now", recent, "Those of this visit; one without a time is.")
    yield Variable("old", f"%usable.where({TIME} < %oldest.toDateTime())", "Those before it.")
    now = f"%measured.where(iif({TIME} < %oldest.toDateTime(), false, true))"
    yield Variable("measured_now", now)
    unclear = (
        f"{answered('yes')}.not() and {answered('no')}.not() "
        "and (value.exists() or dataAbsentReason.empty())"
    )
    yield Variable(
        "unsettled",
        f"%own.where(subject.reference.empty() or (status in {_OPEN}) "
        f"or iif({future}, true, false)).code.coding.code "
        f"| %usable.where(code.coding.where({_IS_CODE}).exists() and {unclear}).code.coding.code",
        "Codes of which something was sent that cannot be used: their answer is open.",
    )
    for where in ("now", "usable", "old"):
        for answer in ("yes", "no"):
            yield Variable(
                f"{answer}_{where}",
                f"%{where}.where({answered(answer)}).code.coding.where({_IS_CODE}).code",
            )


def age_variables() -> Iterator[Variable]:
    """The age in days as a span, and the first and last moment of the birth."""
    yield Variable("birth", "%data.entry.resource.ofType(Patient).birthDate.first().toString()")
    length = "%birth.length()"
    first = f"iif({length} = 7, {day('%birth', date=1)}, {day('%birth', month=1, date=1)})"
    yield Variable("born_first", f"iif({length} = 10, {day('%birth')}, {first})")
    year, month = "%birth.substring(0, 4).toInteger()", "%birth.substring(5, 2).toInteger()"
    next_year = _day(f"({year} + 1)", "1", "1")
    of_month = f"iif({month} < 12, {_day(year, f'({month} + 1)', '1')}, {next_year})"
    last = f"iif({length} = 7, {of_month}, {next_year}) - 1"
    yield Variable("born_last", f"iif({length} = 10, {day('%birth')}, {last})")
    told = (
        f"%measured.where(code.coding.where(system = '{LOINC}' and code = '{terms.AGE}').exists() "
        f"and value.ofType(Quantity).where(system = '{UCUM}' and code = 'd').exists() "
        f"and {TIME}.exists())"
    )
    yield Variable("age_told", told, "Measured ages in days: used without a birth date.")
    times = f"%age_told.select({TIME}.toDateTime())"
    yield Variable("age_time", largest(times))
    of_age = (
        f"%age_told.where({TIME}.toDateTime() = %age_time.toDateTime())"
        f".select(value.ofType(Quantity).value.floor() + %today - "
        f"{day(f'{TIME}.toDateTime().toString()')})"
    )
    for end, born, choose in (("low", "born_last", smallest), ("high", "born_first", largest)):
        known = f"iif(%today < %{born}, iif(%today < %born_first, {{}}, 0), %today - %{born})"
        by_birth = f"iif(%birth.exists(), {known}, {choose(of_age)})"
        yield Variable(f"age_{end}", by_birth, "Completed days.")
    offset = "%as_of_text.replaceMatches('^.*T[0-9:.]+', '')"
    extension = (
        f"%data.entry.resource.ofType(Patient).birthDate.extension"
        f".where(url = '{BIRTH_TIME}').value.first()"
    )
    fits = (
        f"{extension}.toString().substring(0, 10) = %birth "
        f"and {extension}.toDateTime() <= %as_of.toDateTime()"
    )
    for end, clock in (("first", "T00:00:00"), ("last", "T23:59:59")):
        midnight = f"(%birth + '{clock}' + {offset}).toDateTime()"
        by_date = f"iif({length} = 10, {midnight}, {{}})"
        moment = f"iif({fits}, {extension}.toDateTime(), {by_date})"
        yield Variable(f"birth_{end}", moment, "The birth, as exactly as it is known.")


def earlier_variables(classes: tuple[str, ...]) -> Iterator[Variable]:
    """Which classes held at a visit before this one, and on which day of treatment this is."""
    ended = one_of(tuple(sorted(terms.ENDED)))
    dated = f"{_DATED}.toString()"
    before = (
        f"iif({dated}.length() > 10, iif({_DATED} < %oldest.toDateTime(), true, false), "
        f"iif({dated}.length() = 10, {day(dated)} < %today, {dated}.empty()))"
    )
    yield Variable(
        "past",
        "%data.entry.resource.ofType(Condition).where((subject.reference in %names) "
        "and code.coding.where(system.endsWith('/CodeSystem/classification')).exists() "
        "and (verificationStatus.coding.code contains 'refuted').not() "
        "and (verificationStatus.coding.code contains 'differential').not() "
        "and (verificationStatus.coding.code contains 'entered-in-error').not() "
        f"and clinicalStatus.coding.where(code in {ended}).empty() "
        f"and abatement.empty() and {before})",
        "Classes that were given at a visit before this one.",
    )
    for code in classes:
        own = f"%past.where(code.coding.where(code = '{code}').exists())"
        yield Variable(f"earlier_{name(code)}", f"{own}.exists()")
        days = f"{own}.where({_DATED}.exists()).select({day(dated)})"
        since = f"%today - {smallest(days)} + 1"
        yield Variable(f"day_{name(code)}", f"iif(%earlier_{name(code)}, {since}, 0)")
