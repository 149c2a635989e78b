"""The steps of a plan, from the RequestGroup by its actions to the resources that they name."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from cds_service.engine.phrase import unit_name
from cds_service.fhir.codes import FOLLOW_UP, REFERRAL
from cds_service.fhir.terms import FORMULATION, is_own
from cds_service.web.site.published import Publication, publications
from cds_service.web.site.trying.questions import direction

Json = dict[str, Any]
_TRANSLATION = "http://hl7.org/fhir/StructureDefinition/translation"


class Told(NamedTuple):
    """Words to the caregiver in a language, and the same in English ("" when they are)."""

    words: str
    language: str
    english: str

    @property
    def direction(self) -> str:
        """ "rtl" or "ltr"."""
        return direction(self.words)


class Visit(NamedTuple):
    """A visit to come: on its first day, or on every day until the last."""

    words: str
    first: date
    last: date
    told: tuple[Told, ...]

    def days(self) -> Iterator[date]:
        """Each of its days."""
        for number in range((self.last - self.first).days + 1):
            yield self.first + timedelta(days=number)


class Amount(NamedTuple):
    """What is measured for one dose, and what is in it."""

    value: Decimal
    unit: str
    contains: str
    shown: str
    """Amount and unit in words."""


class Given(NamedTuple):
    """A medicine or a fluid."""

    kind: str
    """ "medicine"."""
    code: str
    """Of the product; "" of a fluid."""
    name: str
    amount: Amount | None
    doses: tuple[str, ...]
    instructions: tuple[Told, ...]
    notes: tuple[str, ...]
    sources: tuple[Publication, ...]


class Done(NamedTuple):
    """Care, a referral or a visit."""

    kind: str
    """ "refer", "visit" or "care"."""
    words: str
    urgent: bool
    notes: tuple[str, ...]
    sources: tuple[Publication, ...]


class Branch(NamedTuple):
    """Steps that belong together; `choice`: exactly one of them is done."""

    kind: str
    """ "branch"."""
    title: str
    choice: bool
    code: str
    """ "refer" or "here" of the two courses, else ""."""
    steps: "tuple[Step, ...]"


Step = Given | Done | Branch


class Steps:
    """The steps in their order, and every visit among them."""

    def __init__(self, actions: Sequence[Json], by_address: Mapping[str, Json]) -> None:
        self._by_address = by_address
        self._visits: dict[str, Visit] = {}
        self.all = tuple(self._read(actions))
        self.visits = tuple(sorted(self._visits.values(), key=lambda each: (each.first, each.last)))

    def _read(self, actions: Sequence[Json]) -> Iterator[Step]:
        for action in actions:
            if "action" in action:
                one_of = action.get("selectionBehavior") == "exactly-one"
                below = tuple(self._read(action["action"]))
                yield Branch("branch", action["title"], one_of, action.get("id", ""), below)
                continue
            address = action["resource"]["reference"]
            resource = self._by_address[address]
            sources = tuple(publications(action))
            if resource["resourceType"] == "MedicationRequest":
                yield _given(resource, sources)
            elif resource["resourceType"] == "ServiceRequest":
                yield self._done(address, action, resource, sources)

    def _done(
        self, address: str, action: Json, resource: Json, sources: tuple[Publication, ...]
    ) -> Done:
        code = resource["code"].get("coding", [{}])[0].get("code", "")
        kind = {REFERRAL: "refer", FOLLOW_UP: "visit"}.get(code, "care")
        visit = _visit(resource) if kind == "visit" else None
        if visit is not None:
            self._visits[address] = visit
        urgent = resource.get("priority") in ("urgent", "stat", "asap")
        return Done(kind, action["title"], urgent, _notes(resource), sources)


def told(element: Json, name: str, language: str) -> Told:
    """Words to the caregiver; the English of what was translated stands in an extension."""
    for extension in element.get(f"_{name}", {}).get("extension", ()):
        if extension["url"] == _TRANSLATION:
            parts = {part["url"]: part for part in extension["extension"]}
            return Told(element[name], language, parts["content"]["valueString"])
    return Told(element[name], "en", "")


def _given(request: Json, sources: tuple[Publication, ...]) -> Given:
    dosages = request.get("dosageInstruction", ())
    language, medicine = request["language"], request["contained"][0]["code"]
    return Given(
        "medicine",
        _product(medicine),
        medicine["text"],
        _amount(dosages),
        tuple(each["text"] for each in dosages if "text" in each),
        tuple(
            told(each, "patientInstruction", language)
            for each in dosages
            if "patientInstruction" in each
        ),
        _notes(request),
        sources,
    )


def _product(medicine: Json) -> str:
    own = (each for each in medicine.get("coding", ()) if is_own(each["system"], FORMULATION))
    return next((str(each["code"]) for each in own), "")


def _amount(dosages: Sequence[Json]) -> Amount | None:
    """The measured dose of a medicine; None for a fluid, whose words tell it."""
    if len(dosages) != 1:
        return None
    rates = dosages[0].get("doseAndRate", ())
    found = [each["doseQuantity"] for each in rates if "doseQuantity" in each]
    if len(found) != 2:
        return None
    measured, contained = found
    contains = f"{_plain(contained['value'])} {contained['unit']}"
    shown = f"{_plain(measured['value'])} {unit_name(measured['code'])}"
    return Amount(Decimal(str(measured["value"])), measured["code"], contains, shown)


def _plain(value: object) -> str:
    return f"{Decimal(str(value)):f}"


def _visit(request: Json) -> Visit | None:
    period = request.get("occurrenceTiming", {}).get("repeat", {}).get("boundsPeriod", {})
    first = period.get("start") or request.get("occurrenceDateTime", "")
    if not first:
        return None
    last = period.get("end") or first
    words = (
        (told(request, "patientInstruction", request["language"]),)
        if "patientInstruction" in request
        else ()
    )
    return Visit(
        request["code"]["text"],
        date.fromisoformat(first[:10]),
        date.fromisoformat(last[:10]),
        words,
    )


def _notes(resource: Json) -> tuple[str, ...]:
    return tuple(
        line for note in resource.get("note", ()) for line in str(note["text"]).split("\n")
    )
