"""The patient: exactly one, alive, with sex and age."""

from dataclasses import replace
from datetime import date, datetime, time, timedelta

from msgspec import UNSET

from cds_service.case import Age, Origin
from cds_service.errors import Problem, UnusableRequest
from cds_service.fhir.codes import BIRTH_TIME
from cds_service.fhir.facts import Facts, Sent
from cds_service.fhir.read_body import Body
from cds_service.fhir.references import names
from cds_service.fhir.wire_resources import Patient


def choose(patients: list[Sent[Patient]], body: Body) -> Sent[Patient]:
    """The patient that `subject` names, or the only one.

    Raises UnusableRequest: none, more than one, not the one named, or dead.
    """
    named = patients
    if body.subject:
        named = [one for one in patients if names(body.subject, one, "Patient")]
    if len(named) != 1:
        raise UnusableRequest(_not_one(len(patients), len(named), body))
    problems = _unusable(named[0])
    if problems:
        raise UnusableRequest(*problems)
    return named[0]


def _not_one(sent: int, named: int, body: Body) -> Problem:
    place = f"{body.place}.entry"
    if not sent:
        what, remedy = "There is no Patient in the data.", "Send the infant's Patient resource."
    elif not named:
        what = "The Patient that `subject` names is not in the data."
        remedy = "Send that Patient, or name the one that is sent."
    else:
        what = "There is more than one Patient in the data."
        remedy = "Send one infant at a time, or name the infant in the parameter `subject`."
    return Problem("required" if not sent else "multiple-matches", what, remedy, place)


def _unusable(sent: Sent[Patient]) -> list[Problem]:
    patient, place = sent.resource, sent.origin.expression
    found = []
    if patient.has_unknown_rules():
        what = "An extension or rule may change the meaning of the Patient."
        remedy = "Leave out implicitRules and modifierExtension."
        found.append(Problem("extension", what, remedy, place))
    if patient.deceased_boolean is True or patient.deceased_date_time is not UNSET:
        what = "The Patient is recorded as deceased: no plan is made."
        found.append(Problem("business-rule", what, "Check the record.", place))
    return found


def note_doubts(sent: Sent[Patient], facts: Facts) -> None:
    """Refuse, by name, what the record says against itself: not in use, or replaced."""
    patient = sent.resource
    if patient.active is False:
        facts.refuse("patient-inactive", sent.origin)
    links = [] if patient.link is UNSET else patient.link
    if any(link.type == "replaced-by" for link in links):
        facts.refuse("patient-replaced", sent.origin)


def sex(patient: Patient) -> str | None:
    """ "male" or "female"; None when not recorded or otherwise."""
    return patient.gender if patient.gender in {"male", "female"} else None


def age_by_birth_date(sent: Sent[Patient], as_of: datetime, facts: Facts) -> Age | None:
    """Age at the local date of `as_of`, in hours too; a month or year of birth gives a span.

    A birth time on another day than the birth date is refused, by name.
    """
    born = sent.resource.birth_date
    if born is UNSET:
        return None
    age = span(born.first, born.last, as_of, sent.origin)
    if age.high < 0:  # a birth after the visit is no age at all
        return age
    first = datetime.combine(born.first, time.min, as_of.tzinfo)
    last = min(datetime.combine(born.last, time(23, 59, 59), as_of.tzinfo), as_of)
    exact = _birth_time(sent.resource)
    if exact is not None:
        if born.first <= exact.date() <= born.last and exact <= as_of:
            first = last = exact
        else:
            facts.refuse("birth-time-contradicts", sent.origin)
    return replace(age, hours=(_hours(as_of - last), _hours(as_of - first)))


def _birth_time(patient: Patient) -> datetime | None:
    beside = patient.beside_birth_date
    if beside is UNSET or beside.extension is UNSET:
        return None
    times = (each.value_date_time for each in beside.extension if each.url == BIRTH_TIME)
    return next((when.exact for when in times if when is not UNSET), None)


def _hours(since: timedelta) -> int:
    return since // timedelta(hours=1)


def span(first: date, last: date, as_of: datetime, origin: Origin) -> Age:
    """The age of an infant who was born from `first` to `last`."""
    today = as_of.date()
    low, high = (today - last).days, (today - first).days
    # Born later than today is impossible, so such days are no part of the span.
    return Age(max(low, 0) if high >= 0 else low, high, origin)


def check_age(age: Age, limit: int) -> None:
    """Raise UnusableRequest when no day of the span is from 0 to below `limit`."""
    if age.high >= 0 and age.low < limit:
        return
    if age.high < 0:
        what = "The birth date is after the time of the visit."
        remedy = "Check the birth date and `asOf`."
    else:
        what = f"This protocol is for infants of 0 to {limit - 1} days; this child is older."
        remedy = (
            "Use the national protocol for the older child; check the birth date if that is wrong. "
            "A course that was begun before that age is finished as it was ordered."
        )
    raise UnusableRequest(Problem("business-rule", what, remedy, age.origin.expression))
