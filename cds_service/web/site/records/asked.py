"""What an auditor asks for: the form of the search, as it comes in and as an address says it.

A patient never stands in an address: he is sent by POST, and an address names an entry of his.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, tzinfo
from urllib.parse import urlencode

from cds_service.audit.record import RECOMMENDATION
from cds_service.audit.store import Query
from cds_service.web.pages import FIRST, Page
from cds_service.web.search_values import PATIENT_OF, REVIEWS, STATUSES, index_of

ON_A_PAGE = 25
"""Recommendations in one list."""
PATIENT = "patient"
"""The field that is only read from a form."""
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_CODE = re.compile(r"[a-z0-9-]{1,80}")
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Asked:
    """What is looked for; what is empty does not matter."""

    values: dict[str, str] = field(default_factory=dict)
    """Each field as it was sent, for the form; never the patient."""
    wrong: Mapping[str, str] = field(default_factory=dict)
    """Why the value of a field cannot be used."""
    since: date | None = None
    until: date | None = None
    """The last day, which is included."""
    held: str = ""
    """The code of a class."""
    protocol: str = ""
    clinic: str = ""
    outcome: str = ""
    feedback: str = ""
    patient_of: int | None = None
    page: Page = FIRST
    patient: str = field(default="", repr=False)

    def query(self, tenant: str, zone: tzinfo | None) -> Query:
        """What the log is asked for: without the patient, whom only the log can resolve."""
        after = None if self.until is None else self.until + timedelta(days=1)
        return Query(
            tenant=tenant,
            caller=self.clinic or None,
            kinds=(RECOMMENDATION,),
            since=_midnight(self.since, zone),
            before=_midnight(after, zone),
            outcomes=_one(self.outcome),
            classes=_one(self.held),
            protocol=self.protocol or None,
            reviews=_one(self.feedback),
            below=self.page.below,
            limit=ON_A_PAGE + 1,
        )

    def address(self, path: str = "/records", **other: object) -> str:
        """The address of this search, or of one that differs in these fields; "" drops one."""
        changed = {name.replace("_", "-"): str(to) for name, to in other.items()}
        said = self.values | {"page": ""} | changed
        order = [*READERS, *(name for name in changed if name not in READERS)]
        query = urlencode([(name, said[name]) for name in order if said.get(name)], safe=",|")
        return f"{path}?{query}" if query else path


def read(sent: Sequence[tuple[str, str]], *, form: bool = False) -> Asked:
    """Read a search; what is wrong in it stands in `wrong`. A patient is read of a form only."""
    asked = Asked()
    values, wrong = dict(asked.values), dict(asked.wrong)
    for name, value in sent:
        if name == PATIENT:
            if form:
                named = value if "/" in value or ":" in value else f"Patient/{value}"
                asked = replace(asked, patient=named)
            else:
                wrong[PATIENT] = "A patient is no part of an address. Search with the field below."
        elif name not in READERS or name in values:
            wrong[""] = "The address has a part that is unknown or repeated. Search with the form."
        else:
            values[name] = value
            try:
                asked = READERS[name](asked, value)
            except (ValueError, OverflowError):
                wrong[name] = _WANTED[name]
    if asked.since and asked.until and asked.since > asked.until:
        wrong["to"] = "The last day is before the first."
    return replace(asked, values=values, wrong=wrong)


def _midnight(day: date | None, zone: tzinfo | None) -> datetime | None:
    return None if day is None else datetime.combine(day, time(), zone)


def _one(value: str) -> tuple[str, ...]:
    return (value,) if value else ()


def _day(text: str) -> date:
    """A day that an instant of any zone can be made of.

    >>> _day("2026-03-02")
    datetime.date(2026, 3, 2)
    """
    found = date.fromisoformat(text) if _DAY.fullmatch(text) else None
    if found is None or not 1 < found.year < 9999:
        raise ValueError("not a day")
    return found


def _text(text: str) -> str:
    if len(text) > _LONGEST:
        raise ValueError("too long")
    return text


def _code(text: str) -> str:
    if not _CODE.fullmatch(text):
        raise ValueError("not a code")
    return text


def _of(allowed: Sequence[str], text: str) -> str:
    if text not in allowed:
        raise ValueError("not one of these")
    return text


READERS: Mapping[str, Callable[[Asked, str], Asked]] = {
    "from": lambda asked, text: replace(asked, since=_day(text)),
    "to": lambda asked, text: replace(asked, until=_day(text)),
    "class": lambda asked, text: replace(asked, held=_code(text)),
    "protocol": lambda asked, text: replace(asked, protocol=_text(text)),
    "clinic": lambda asked, text: replace(asked, clinic=_text(text)),
    "outcome": lambda asked, text: replace(asked, outcome=_of(STATUSES, text)),
    "feedback": lambda asked, text: replace(asked, feedback=_of(REVIEWS, text)),
    PATIENT_OF: lambda asked, text: replace(asked, patient_of=index_of(text)),
    "page": lambda asked, text: replace(asked, page=Page.parse(text)),
}
"""The fields, in the order in which an address has them; each raises ValueError."""
_WANTED = {
    "from": "Write the first day as year-month-day, for example 2026-03-02.",
    "to": "Write the last day as year-month-day, for example 2026-03-31.",
    "class": "Choose a class of the list.",
    "protocol": "Choose a version of the list.",
    "clinic": "Choose a clinic of the list.",
    "outcome": f"Choose one of {', '.join(STATUSES)}.",
    "feedback": f"Choose one of {', '.join(REVIEWS)}.",
    PATIENT_OF: "Name an entry of the patient by its number in the log.",
    "page": "The page is not one. Begin with the first.",
}
