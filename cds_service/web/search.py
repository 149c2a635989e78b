"""From the parameters of a FHIR search to what the log is asked for (FHIR R4 search.html).

Two rules beside FHIR's: a parameter that is known but has a value that cannot be used is always
refused, since an auditor must not take another answer for the one he asked for; and no text of
the caller's is ever repeated, in an error or in a link.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from urllib.parse import parse_qsl

from cds_service.audit.record import KINDS, RECOMMENDATION
from cds_service.audit.store import Query
from cds_service.web import problems
from cds_service.web.search_values import PATIENT_OF, READERS, REVIEWS, STATUSES, Search

AUDIT_EVENT, GUIDANCE = "AuditEvent", "GuidanceResponse"
LONGEST, MOST = 512, 40
"""Characters of a value, and parameters of a search."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A search parameter that we serve: FHIR's type of it, and what it means here."""

    name: str
    kind: str
    about: str


_DATE = Parameter(
    "date", "date", "When it was recorded: eq, ge, gt, le, lt, sa, eb; from a year to an instant."
)
_PATIENT = Parameter("patient", "reference", "The infant, exactly as the request named it.")
_LIKE = Parameter(PATIENT_OF, "token", "The patient of the entry with this index.")
_AGENT = Parameter("agent", "reference", "Who asked: Device/{caller} or Organization/{tenant}.")
PARAMETERS: Mapping[str, tuple[Parameter, ...]] = {
    AUDIT_EVENT: (
        Parameter("_id", "token", "log-{index}; several with commas."),
        _PATIENT,
        _LIKE,
        _DATE,
        _AGENT,
        Parameter(
            "entity", "reference", "GuidanceResponse/{id}, AuditEvent/log-{index} or a patient."
        ),
        Parameter("outcome", "token", "0: done. Nothing else is ever recorded."),
        Parameter("subtype", "token", f"{', '.join((*KINDS, *REVIEWS))}; several with commas."),
    ),
    GUIDANCE: (
        Parameter("_id", "token", "The id of the decision."),
        _PATIENT,
        _LIKE,
        _DATE,
        _AGENT,
        Parameter("status", "token", f"{', '.join(STATUSES)}; several with commas."),
    ),
}
"""What each type can be searched by; `_count`, `_total` and `_page` come to it."""

_PASSED_OVER = ("_format", "_pretty")
_KNOWN_IN_FHIR = frozenset(
    {
        "_content", "_contained", "_containedType", "_elements", "_filter", "_has", "_include",
        "_lastUpdated", "_list", "_profile", "_query", "_revinclude", "_security", "_sort",
        "_source", "_summary", "_tag", "_text", "_type", "action", "address",
        "agent-name", "agent-role", "altid", "entity", "entity-name", "entity-role",
        "entity-type", "identifier", "outcome", "policy", "request", "site", "source", "status",
        "subject", "subtype", "type",
    }
)  # fmt: skip
"""Names that FHIR R4 defines and that may be repeated to the caller; no other text is."""


def pairs(text: bytes) -> list[tuple[str, str]]:
    """The parameters of a query, or of a form; raises Refused (400) when it is neither."""
    try:
        found = parse_qsl(
            text.decode("ascii"), keep_blank_values=True, max_num_fields=MOST, errors="strict"
        )
    except ValueError:
        raise _wrong("The search cannot be read.") from None
    if any(len(value) > LONGEST or not value.isprintable() for _, value in found):
        raise _wrong("A value is too long, or has characters that cannot be printed.")
    return [(name, value) for name, value in found if value]


def search(
    kind: str,
    sent: Sequence[tuple[str, str]],
    tenant: str,
    zone: tzinfo | None,
    *,
    strict: bool = False,
) -> Search:
    """Read the parameters of a search for `kind` within one tenant; empty values do not count.

    `zone` is that in which a day without time is meant. Raises Refused (400), under `strict`
    (FHIR's `Prefer: handling=strict`) also for a parameter that is not known.
    """
    found = Search(Query(tenant=tenant))
    if kind == GUIDANCE:
        found = Search(with_guidance(tenant))
    readers = READERS[kind]
    seen: set[str] = set()
    for name, value in sent:
        plain, _, modifier = name.partition(":")
        if plain not in readers:
            found = _not_known(found, name)
            continue
        if modifier:
            raise _wrong(f"The parameter `{plain}` has a modifier that is not supported.")
        if plain in seen and plain != "date":
            raise _wrong(f"The parameter `{plain}` is given more than once.")
        seen.add(plain)
        try:
            found = readers[plain](found, value, zone)
        except ValueError:
            what = f"The value of `{plain}` is not usable here."
            raise _wrong(what, remedy=_REMEDIES.get(plain, _REMEDY)) from None
    if strict and (found.ignored or found.unknown):
        raise _wrong("A search parameter is not known.", "not-supported")
    return found


def with_guidance(tenant: str) -> Query:
    """Entries that have a GuidanceResponse: not erased, and no referral notes."""
    return Query(tenant=tenant, kinds=(RECOMMENDATION,), outcomes=STATUSES)


def _not_known(found: Search, name: str) -> Search:
    if name in _PASSED_OVER:
        return found
    if name in _KNOWN_IN_FHIR:
        return replace(found, ignored=(*found.ignored, name))
    return replace(found, unknown=found.unknown + 1)


def _wrong(what: str, code: str = "value", remedy: str = "") -> problems.Refused:
    return problems.refused(400, code, what, remedy or _REMEDY)


_REMEDY = "GET /fhir/metadata says what can be searched by."
_REMEDIES = {
    "date": "Send YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm[:ss] with Z or an offset, after "
    "eq, ge, gt, le, lt, sa, eb or nothing. In an address the + of an offset is written %2B."
}
"""What to do about a value of these parameters."""
