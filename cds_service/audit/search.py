"""What an auditor looks for as SQL that SQLite and PostgreSQL both understand.

`entry` and `payload` are joined by position; a placeholder is `?`.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

from cds_service.audit.record import FEEDBACK
from cds_service.audit.rows import moment
from cds_service.audit.seal import Sealer
from cds_service.audit.store import Query


class Where(NamedTuple):
    """The tables and the conditions of a query, to stand behind FROM, and the values in it."""

    text: str
    values: tuple[Any, ...]


class _Conditions:
    def __init__(self) -> None:
        self.texts: list[str] = []
        self.values: list[Any] = []

    def add(self, text: str, *values: Any) -> None:
        self.texts.append(text)
        self.values += values

    def one_of(self, column: str, values: Sequence[Any]) -> None:
        if values:
            self.add(f"{column} IN ({', '.join('?' * len(values))})", *values)


def where(query: Query, sealer: Sealer, *, page: bool = True) -> Where:
    """The entries that match; `page`: only those below `query.below`."""
    found = _Conditions()
    by_payload = _of_payload(found, query, sealer)
    _of_entry(found, query)
    if page and query.below is not None:
        found.add("entry.position < ?", query.below)
    join = "JOIN" if by_payload else "LEFT JOIN"
    text = f"entry {join} payload ON payload.position = entry.position"
    if found.texts:
        text += f" WHERE {' AND '.join(found.texts)}"
    return Where(text, tuple(found.values))


def _of_payload(found: _Conditions, query: Query, sealer: Sealer) -> bool:
    """Conditions on what an erased entry does not have any more; whether there are any."""
    # That it is not empty is said too: without it no database uses the index, which leaves
    # the empty ones out.
    if query.patient is not None:
        found.one_of("payload.patient", sealer.names(query.patient))
        found.add("payload.patient <> ''")
    if query.decision_id is not None:
        found.one_of("payload.decision", sealer.names(query.decision_id))
        found.add("payload.decision <> ''")
    found.one_of("payload.outcome", query.outcomes)
    if query.classes:
        any_of = " OR ".join(["payload.classes LIKE ? ESCAPE '\\'"] * len(query.classes))
        found.add(f"({any_of})", *(f"%|{_literally(code)}|%" for code in query.classes))
    return bool(found.texts)


def _of_entry(found: _Conditions, query: Query) -> None:
    if query.tenant is not None:
        found.add("entry.tenant = ?", query.tenant)
    if query.caller is not None:
        found.add("entry.caller = ?", query.caller)
    found.one_of("entry.kind", query.kinds)
    if query.since is not None:
        found.add("entry.recorded >= ?", moment(query.since))
    if query.before is not None:
        found.add("entry.recorded < ?", moment(query.before))
    if query.protocol is not None:
        name = query.protocol
        pattern = f"{_literally(name)}|%"
        found.add("(entry.protocol = ? OR entry.protocol LIKE ? ESCAPE '\\')", name, pattern)
    found.one_of("entry.about", query.abouts)
    found.one_of("entry.position", query.positions)
    if query.reviews:
        marks = ", ".join("?" * len(query.reviews))
        found.add(
            "EXISTS (SELECT 1 FROM entry AS said JOIN payload AS how"  # noqa: S608 - only marks
            " ON how.position = said.position WHERE said.about = entry.position"
            f" AND said.kind = ? AND how.outcome IN ({marks}))",
            FEEDBACK,
            *query.reviews,
        )


def _literally(text: str) -> str:
    r"""The text as a pattern of LIKE that only matches itself.

    >>> _literally("50%_")
    '50\\%\\_'
    """
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
