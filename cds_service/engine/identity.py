"""The name of a decision: the same question has the same id, wherever and whenever it is asked."""

from datetime import datetime
from hashlib import sha1
from struct import Struct
from uuid import UUID

from cds_service.case import Answer, Case, GivenDose, MedicineInUse
from cds_service.content.treatment import Protocol

_SPACE = UUID("6f0f5e0a-5b0e-5b51-9d3a-0c7c1f7f7a10").bytes

# Of 40 hex digits: 8, 4, the version's place, 3, the variant's place, 3, 12; the rest is left.
_UUID = Struct("8s4sx3sc3s12s8x")
# RFC 9562: the two highest bits of this digit are 10, the others are those of the hash.
_VARIANT = {b"%x" % digit: b"-%x" % (digit & 3 | 8) for digit in range(16)}


def uuid5(space: bytes, name: bytes) -> bytes:
    """UUID version 5 (RFC 9562) of a name; the same text as `uuid.uuid5`, in a third of the time.

    >>> from uuid import UUID
    >>> uuid5(UUID(int=0).bytes, b"order.amoxicillin")
    b'76aa909c-e134-5b98-b9fa-74eeb5466c44'
    """
    digits = sha1(space + name, usedforsecurity=False).hexdigest().encode()
    low, middle, high, variant, clock, node = _UUID.unpack(digits)
    return b"".join((low, b"-", middle, b"-5", high, _VARIANT[variant], clock, b"-", node))


def decision_id(case: Case, protocol: Protocol) -> str:
    """UUIDv5 over the canonical case (which holds `as_of`) and the content digest."""
    return uuid5(_SPACE, f"{protocol.digest}\n{canonical(case)}".encode()).decode()


def canonical(case: Case) -> str:
    """The case as text: every fact in a fixed order, whatever order it was sent in.

    What a caller chose freely (references, details) stands last or quoted, so that no two
    cases have the same text.
    """
    age = None if case.age is None else (case.age.low, case.age.high, case.age.hours)
    stock = None if case.stock is None else sorted(case.stock)
    times = (str(case.as_of), _stamp(case.visit_end), _stamp(case.visit_start))
    stamps: dict[int, str] = {}
    kinds = (
        [
            f"{code};{_answer(answer)};{_seen(at, stamps)};{preliminary};{origin.reference}"
            for code, answer, at, origin, preliminary in case.findings
        ],
        [
            f"{kind};{quantity};{site};{_seen(at, stamps)};{preliminary};{origin.reference}"
            for kind, quantity, at, origin, preliminary, site in case.measurements
        ],
        [_given(g) for g in case.given],
        [_in_use(u) for u in case.in_use],
        [f"{m.medicine};{_stamp(m.at)};{m.origin.reference}" for m in case.missed],
        [f"{e.code};{_stamp(e.at)};{e.origin.reference}" for e in case.earlier],
        [repr((r.reason, r.code, r.details, r.origin.reference)) for r in case.refusals],
    )
    head = (case.subject, case.encounter, case.sex, age, stock, *times)
    return repr((head, *map(sorted, kinds)))


def _given(dose: GivenDose) -> str:
    amounts = f"{dose.contained};{dose.measured};{dose.formulation}"
    return f"{dose.medicine};{_stamp(dose.at)};{amounts};{dose.origin.reference}"


def _in_use(use: MedicineInUse) -> str:
    amounts = (str(use.amount), str(use.contained), use.formulation)
    told = (use.days, use.a_day, *amounts, use.ordered)
    return f"{use.medicine};{_stamp(use.since)};{told};{use.origin.reference}"


def _answer(answer: Answer) -> str:
    if answer is Answer.YES:
        return "yes"
    return "no" if answer is Answer.NO else "not-assessed"


def _seen(at: datetime | None, stamps: dict[int, str]) -> str:
    """A time as text; the facts of one visit share a few moments, each is written once."""
    # The case keeps its moments alive, so their identity is a safe key here.
    stamp = stamps.get(id(at))
    if stamp is None:
        stamp = stamps[id(at)] = _stamp(at)
    return stamp


def _stamp(at: datetime | None) -> str:
    # One instant has one text, in whatever offset it was written: seconds since 1970.
    return "" if at is None else str(at.timestamp())
