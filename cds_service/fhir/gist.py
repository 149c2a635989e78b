"""What an answer proposes, read from its FHIR alone, as whoever received it would.

Replay compares the answer of then with that of now by this: the record is the truth, not what
this program would think of it, and the content of then need not be there any more.
"""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import NamedTuple

from msgspec import DecodeError
from msgspec.json import Decoder

from cds_service.fhir import codes
from cds_service.fhir.gist_wire import Action, Answer, Dosage, Resource, Section

REFER, HERE = "refer", "here"
"""Branches of a plan; what stands in no branch is given here."""
_DECODER = Decoder(Answer)


class Dose(NamedTuple):
    """How much of a medicine, how often, how long."""

    measured: str
    """In words: "0.9 mL"."""
    contained: Decimal
    """Of the substance, each time."""
    unit: str
    a_day: int
    """0: once only."""
    days: Decimal | None
    """None: open, or once."""

    @property
    def daily(self) -> Decimal:
        """Of the substance in a day."""
        return self.contained * max(1, self.a_day)

    def __str__(self) -> str:
        often = f"{self.a_day} a day" if self.a_day else "once"
        length = f" for {self.days:f} days" if self.days is not None else ""
        return f"{self.measured} = {self.contained:f} {self.unit} {often}{length}"


class Order(NamedTuple):
    """A medicine or a fluid that is proposed."""

    branch: str
    """REFER or HERE."""
    substance: str
    """ATC code; of a fluid its name."""
    name: str
    antibiotic: bool
    form: str
    dose: Dose | None
    """None: a fluid, which the words tell."""
    words: tuple[str, ...]


class Referral(NamedTuple):
    """That the infant is to be referred."""

    urgent: bool
    only: bool
    """Not one of two courses to choose from."""


class Caution(NamedTuple):
    """Something to beware of."""

    code: str
    severity: str
    words: tuple[str, ...]


class Gist(NamedTuple):
    """All of an answer that matters for care; two answers with the same gist say the same."""

    status: str
    classes: dict[str, str]
    """Code and name of each class that holds."""
    referral: Referral | None
    emergency: dict[str, str]
    """Code and words of what is done at once."""
    orders: tuple[Order, ...]
    cautions: tuple[Caution, ...]
    visits: tuple[tuple[str, str], ...]
    """First day ("" when open) and words of each visit to come."""
    care: tuple[str, ...]
    told: tuple[str, ...]
    """To the caregiver, or in the sections of a referral note."""
    needed: tuple[str, ...]
    """Codes of what is to be found out."""


def gist(answer: bytes) -> Gist:
    """Read an answer; raises ValueError when it is none."""
    try:
        entries = _DECODER.decode(answer).entry
    except DecodeError as error:  # its message could hold what the answer says
        raise ValueError("not an answer of this service") from error
    kinds: dict[str, list[Resource]] = {}
    for entry in entries:
        kinds.setdefault(entry.resource.resource_type, []).append(entry.resource)
    branches: dict[str, str] = {}
    for group in kinds.get("RequestGroup", ()):
        _branches(group.action, HERE, branches)
    guidance = kinds.get("GuidanceResponse", ())
    services = _Services(kinds.get("ServiceRequest", ()))
    return Gist(
        status="".join(each.status for each in guidance),
        classes={each.code.code(): each.code.said() for each in kinds.get("Condition", ())},
        referral=services.referral,
        emergency=services.emergency,
        orders=tuple(
            _order(entry.resource, branches.get(entry.full_url, HERE))
            for entry in entries
            if entry.resource.resource_type == "MedicationRequest"
        ),
        cautions=tuple(map(_caution, kinds.get("DetectedIssue", ()))),
        visits=tuple(services.visits),
        care=tuple(services.care),
        told=tuple(_told(kinds)),
        needed=tuple(
            (each.code_filter[0].code[0].code if each.code_filter else each.type)
            for resource in guidance
            for each in resource.data_requirement
        ),
    )


def _branches(actions: Iterable[Action], branch: str, found: dict[str, str]) -> None:
    """The branch of each resource that an action names."""
    for action in actions:
        here = action.id if action.id in (REFER, HERE) else branch
        if action.resource.reference:
            found[action.resource.reference] = here
        _branches(action.action, here, found)


class _Services:
    """ServiceRequests by what they are."""

    def __init__(self, requests: Iterable[Resource]) -> None:
        self.referral: Referral | None = None
        self.emergency: dict[str, str] = {}
        self.visits: list[tuple[str, str]] = []
        self.care: list[str] = []
        for request in requests:
            code = request.code.code()
            if code == codes.REFERRAL:
                urgent = request.priority in ("urgent", "stat")
                self.referral = Referral(urgent, request.intent != "option")
            elif code == codes.FOLLOW_UP:
                self.visits.append(_visit(request))
            elif request.priority == "stat":
                self.emergency[code] = request.code.said()
            else:
                self.care.append(request.code.said())


def _visit(request: Resource) -> tuple[str, str]:
    period = request.occurrence_timing.repeat.bounds_period
    first = period.start if period else request.occurrence_date_time
    until = f" to {period.end}" if period else ""
    words = " ".join(filter(None, (request.code.said(), request.patient_instruction)))
    return first, f"{first}{until}: {words}"


def _order(request: Resource, branch: str) -> Order:
    code = request.contained[0].code if request.contained else request.code
    substance = next((each for each in code.coding if each.system == codes.ATC), None)
    words = [
        w for each in request.dosage_instruction for w in (each.text, each.patient_instruction)
    ]
    return Order(
        branch,
        substance.code if substance else code.said(),
        (substance.display if substance else "") or code.said(),
        substance is not None and substance.code.startswith(codes.ANTIBACTERIALS),
        code.said(),
        _dose(request.dosage_instruction) if substance else None,
        tuple(filter(None, words)),
    )


def _dose(dosages: tuple[Dosage, ...]) -> Dose | None:
    quantities = [
        each.dose_quantity
        for dosage in dosages[:1]
        for each in dosage.dose_and_rate
        if each.dose_quantity is not None
    ]
    if len(dosages) != 1 or not quantities:
        return None
    repeat, measured, contained = dosages[0].timing.repeat, quantities[0], quantities[-1]
    return Dose(
        f"{measured.value:f} {measured.unit or measured.code}",
        contained.value,
        contained.unit or contained.code,
        0 if repeat.count else repeat.frequency,
        repeat.bounds_duration.value if repeat.bounds_duration else None,
    )


def _caution(issue: Resource) -> Caution:
    words = (issue.code.said(), *(each.action.said() for each in issue.mitigation))
    return Caution(issue.code.code(), issue.severity, words)


def _told(kinds: dict[str, list[Resource]]) -> Iterator[str]:
    for request in kinds.get("CommunicationRequest", ()):
        yield from (each.content_string for each in request.payload)
    for plan in kinds.get("CarePlan", ()):
        yield plan.description
    for note in kinds.get("Composition", ()):
        yield from _sections(note.section)


def _sections(sections: Iterable[Section]) -> Iterator[str]:
    for section in sections:
        yield f"{section.title} {section.text.div}"
        yield from _sections(section.section)
