"""The value of each search parameter, read into the search (FHIR R4 search.html).

Every reader raises ValueError for a value that cannot be used.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo

from cds_service.audit.record import FEEDBACK, KINDS
from cds_service.audit.store import Query
from cds_service.web.pages import FIRST, Page
from cds_service.web.search_dates import span

DEFAULT_COUNT, MOST_COUNT = 20, 200
"""Matches on a page, unless asked otherwise, and at most."""
PATIENT_OF = "patient-of"
"""Our own parameter: the patient of that entry; so a link names nobody."""
STATUSES = ("success", "data-requested", "data-required")
REVIEWS = ("accepted", "overridden")
_INDEX = re.compile(r"0|[1-9]\d{0,17}", re.ASCII)
ID = re.compile(r"[A-Za-z0-9.-]{1,64}")
"""An id of a resource (FHIR R4 datatypes.html#id)."""
_NAME = re.compile(r"(?:(Device|Organization)/)?([\w.~:@+-]+)")


@dataclass(frozen=True, slots=True)
class Search:
    """What was asked for. Parts that only the log can resolve are kept beside the query."""

    query: Query
    count: int = DEFAULT_COUNT
    """Matches on a page; 0 asks for the total only."""
    total: bool = False
    """Whether all matches are to be counted, which takes seconds in a log of a million."""
    page: Page = FIRST
    ids: tuple[int, ...] | None = None
    """Only entries with one of these indexes."""
    patient_of: int | None = None
    nothing: bool = False
    """A value that no entry has."""
    said: tuple[tuple[str, str], ...] = ()
    """What a link to this search repeats: everything but a patient."""
    ignored: tuple[str, ...] = ()
    """Names of FHIR's that we do not know how to search by."""
    unknown: int = 0
    """How many further parameters nobody knows."""

    def saying(self, name: str, value: str, **query: object) -> "Search":
        """The search with a part of the query set, and said in links."""
        asked = replace(self.query, **query)  # type: ignore[arg-type]
        return replace(self, query=asked, said=(*self.said, (name, value)))


def index_of(text: str) -> int:
    """A position in the log; raises ValueError.

    >>> index_of("12")
    12
    """
    if not _INDEX.fullmatch(text):
        raise ValueError("not an index")
    return int(text)


def event_index(identifier: str) -> int:
    """The position that the id of an AuditEvent names; raises ValueError.

    >>> event_index("log-12")
    12
    """
    if not identifier.startswith("log-"):
        raise ValueError("not an AuditEvent of ours")
    return index_of(identifier.removeprefix("log-"))


Reader = Callable[[Search, str, tzinfo | None], Search]


def _ids(found: Search, value: str, _: tzinfo | None) -> Search:
    ids = tuple(map(event_index, value.split(",")))
    if len(ids) > MOST_COUNT:
        raise ValueError("too many ids")
    return replace(found.saying("_id", value), ids=ids)


def _decision(found: Search, value: str, _: tzinfo | None) -> Search:
    if not ID.fullmatch(value):
        raise ValueError("not an id")
    return found.saying("_id", value, decision_id=value)


def _patient(found: Search, value: str, _: tzinfo | None) -> Search:
    # In a link it is replaced by the entry that it is the patient of.
    named = value if "/" in value or ":" in value else f"Patient/{value}"
    if found.patient_of is not None or found.query.patient not in (None, named):
        raise ValueError("two patients")
    return replace(found, query=replace(found.query, patient=named))


def _patient_of(found: Search, value: str, _: tzinfo | None) -> Search:
    if found.query.patient is not None:
        raise ValueError("two patients")
    return replace(found.saying(PATIENT_OF, value), patient_of=index_of(value))


def _date(found: Search, value: str, zone: tzinfo | None) -> Search:
    since, before = span(value, zone)
    known = found.query
    latest = max(filter(None, (since, known.since)), default=None)
    earliest = min(filter(None, (before, known.before)), default=None)
    return found.saying("date", value, since=latest, before=earliest)


def _agent(found: Search, value: str, _: tzinfo | None) -> Search:
    named = _NAME.fullmatch(value)
    if named is None:
        raise ValueError("not an agent")
    if named[1] != "Organization":
        return found.saying("agent", value, caller=named[2])
    other = found.query.tenant not in (None, named[2])
    return replace(found.saying("agent", value), nothing=found.nothing or other)


def _entity(found: Search, value: str, zone: tzinfo | None) -> Search:
    kind, _, rest = value.partition("/")
    if kind == "AuditEvent":
        return found.saying("entity", value, abouts=(event_index(rest),))
    if kind == "GuidanceResponse":
        identifier, _, version = rest.partition("/_history/")
        if not ID.fullmatch(identifier) or (version and not _INDEX.fullmatch(version)):
            raise ValueError("not a GuidanceResponse of ours")
        return found.saying("entity", value, decision_id=identifier)
    return _patient(found, value, zone)


def _outcome(found: Search, value: str, _: tzinfo | None) -> Search:
    asked = {each.rpartition("|")[2] for each in value.split(",")}
    if not asked <= {"0", "4", "8", "12"}:  # audit-event-outcome of FHIR R4
        raise ValueError("not an outcome")
    return replace(found.saying("outcome", value), nothing=found.nothing or "0" not in asked)


def _subtype(found: Search, value: str, _: tzinfo | None) -> Search:
    asked = {each.rpartition("|")[2] for each in value.split(",")}
    reviews, kinds = asked & set(REVIEWS), asked & set(KINDS)
    if asked != reviews | kinds or (reviews and kinds - {FEEDBACK}):
        raise ValueError("not a subtype")
    if reviews:
        return found.saying("subtype", value, kinds=(FEEDBACK,), outcomes=tuple(sorted(reviews)))
    return found.saying("subtype", value, kinds=tuple(sorted(kinds)))


def _status(found: Search, value: str, _: tzinfo | None) -> Search:
    asked = tuple(dict.fromkeys(value.split(",")))
    if not set(asked) <= set(STATUSES):
        raise ValueError("not a status")
    return found.saying("status", value, outcomes=asked)


def _count(found: Search, value: str, _: tzinfo | None) -> Search:
    # FHIR lets a server give fewer than asked for; the link `self` says how many.
    if not re.fullmatch(r"\d+", value, re.ASCII):
        raise ValueError("not a count")
    count = min(int(value), MOST_COUNT) if len(value) < 10 else MOST_COUNT
    return replace(found.saying("_count", str(count)), count=count)


def _total(found: Search, value: str, _: tzinfo | None) -> Search:
    if value not in ("none", "estimate", "accurate"):  # FHIR R4 search.html#total
        raise ValueError("not a total")
    return replace(found.saying("_total", value), total=value != "none")


def _page(found: Search, value: str, _: tzinfo | None) -> Search:
    page = Page.parse(value)
    return replace(found, page=page, query=replace(found.query, below=page.below))


_BOTH: dict[str, Reader] = {
    "patient": _patient, PATIENT_OF: _patient_of, "date": _date, "agent": _agent,
    "_count": _count,
    "_total": _total, "_page": _page,
}  # fmt: skip
READERS: Mapping[str, Mapping[str, Reader]] = {
    "AuditEvent": _BOTH
    | {"_id": _ids, "entity": _entity, "outcome": _outcome, "subtype": _subtype},
    "GuidanceResponse": _BOTH | {"_id": _decision, "status": _status},
}
"""The reader of each parameter, by the type that is searched for."""
