"""Every error of the service, in one tree.

CdsError
├── ContentError          the protocol's files are wrong; lists every finding (start-up stops)
├── SettingsError         the settings are wrong; lists every finding (start-up stops)
├── NotReady              a known case is decided otherwise, a key does not sign (start-up stops)
├── RequestError          the caller can mend it; carries Problems for an OperationOutcome
│   ├── MalformedRequest  not JSON, or not FHIR as R4 defines it           (400)
│   ├── DataNotSent       what is needed was not sent and cannot be had    (412)
│   ├── NotOffered        understood, but this service does not do it      (501)
│   └── UnusableRequest   understood, but no plan can be made from it      (422)
├── LogUnavailable        the recommendation could not be recorded: none is given (503)
│   └── LogDamaged        its tree cannot be gone on with; carries the index of the first bad entry
├── LogProofError         a note, checkpoint or proof of the log does not show what it claims
│   └── LogAltered        an entry of the log is not what it was; carries its index
├── CardUnknown           a feedback is about a card that is not in the log (404)
├── NotAllowed            a token was not taken, or is good for something else (401, 403)
├── KeyTaken              an entry with this Idempotency-Key is there already; it is answered with
├── FedBack               an entry is not erased yet: feedback about it has to go first
└── PayloadErased         what was asked for was erased; its proof is still there (410)

NotAssessedError (a TypeError) and quantity.QuantityError (a ValueError) are programming guards:
somebody asked whether an answer is true, although it may be unknown; or a unit is unknown, or
two units do not compare.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a request.

    `code` is a code of FHIR's issue-type code system, `expression` a FHIRPath into the request
    ("" when the whole request is meant), `what` says what is wrong and `remedy` what to do. No
    field may hold a value that identifies a person.
    """

    code: str
    what: str
    remedy: str
    expression: str = ""


class CdsError(Exception):
    """Base of every error that the service raises on purpose."""


class _Listed(CdsError):
    """An error that lists all its findings at once."""

    def __init__(self, findings: tuple[str, ...]) -> None:
        self.findings = findings
        super().__init__("\n".join(findings))


class ContentError(_Listed):
    """The protocol's content is wrong; `findings` says each place and what to mend."""


class SettingsError(_Listed):
    """The settings are wrong; `findings` names each variable and what it should be."""


class NotReady(_Listed):
    """The service does not do what it must before it may answer; `findings` says what to do."""


class RequestError(CdsError):
    """A request that cannot be answered as it stands; `problems` says why and what to do."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = problems
        super().__init__("; ".join(problem.what for problem in problems))


class MalformedRequest(RequestError):
    """Not JSON, or not FHIR R4."""


class UnusableRequest(RequestError):
    """Well-formed, but nothing safe can be said about it."""


class DataNotSent(RequestError):
    """What a decision needs was not sent, and the service fetches nothing by itself."""


class NotOffered(RequestError):
    """FHIR has it and this service does not."""


class LogUnavailable(CdsError):
    """The audit log did not take the entry, so the recommendation must not leave."""


class LogDamaged(LogUnavailable):
    """The log is so damaged that nothing can be added; `index` is the first entry that is wrong."""

    def __init__(self, index: int, what: str) -> None:
        self.index = index
        self.what = what
        super().__init__(f"the log is damaged, the first bad entry is {index}: {what}")


class LogProofError(CdsError):
    """A signed note, a checkpoint or a proof is malformed, or does not show what it claims.

    Whoever forged it, nothing else is raised by what reads or verifies one.
    """


class LogAltered(LogProofError):
    """An entry was altered, removed, added or moved; `index` is the first that is wrong."""

    def __init__(self, index: int, what: str) -> None:
        self.index = index
        self.what = what
        super().__init__(f"entry {index}: {what}")


class CardUnknown(CdsError):
    """A feedback names a card that the log does not have; `place` is where in the feedback."""

    def __init__(self, place: str) -> None:
        self.place = place
        super().__init__("the log has no such card")


class NotAllowed(CdsError):
    """A caller is not let through; the message is for the operator only, and holds no token."""


class KeyTaken(CdsError):
    """An entry of the same caller has the same Idempotency-Key; its index is `index`."""

    def __init__(self, index: int) -> None:
        self.index = index
        super().__init__("the key belongs to an entry that is in the log already")


class FedBack(CdsError):
    """The entry at `index` stays as long as a feedback about it names the same infant."""

    def __init__(self, index: int) -> None:
        self.index = index
        super().__init__("there is feedback about the entry that is not erased")


class PayloadErased(CdsError):
    """The request and the answer of the entry at `index` were erased; its leaf and proof stay."""

    def __init__(self, index: int) -> None:
        self.index = index
        super().__init__("the payload of the entry was erased")


class NotAssessedError(TypeError):
    """A three-valued answer was used as if it were true or false."""
