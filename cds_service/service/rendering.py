"""A label of what was recommended: made of the recorded request, and recorded itself.

The request of the entry is decided again by the content that decided it then. Only when the
answer is the recorded one, or says the same for the care of the infant, is a label made of it.
"""

from dataclasses import replace
from datetime import datetime

import orjson

from cds_service.audit.record import RENDERING, Entry, digest
from cds_service.content.library import Library
from cds_service.errors import ContentError, Problem, UnusableRequest
from cds_service.fhir.changes import changes
from cds_service.fhir.gist import gist
from cds_service.fhir.read_names import read_names
from cds_service.label.compose import Whom
from cds_service.label.printing import FORMATS, Printed, Wanted, printed
from cds_service.service.deciding import decided_again
from cds_service.service.languages import looked_up

_ASK_AGAIN = "Ask for a new recommendation, and for its label."


def rendered(
    entry: Entry, wanted: Wanted, library: Library, *, base: str, blank: bool = False
) -> tuple[Printed, Wanted]:
    """The label of a recommendation, and what it was made by: a language of the protocol.

    `blank` leaves a line in place of the infant's name. Raises UnusableRequest when what was
    recommended cannot be found again, or cannot be printed.
    """
    try:
        protocol = library.recorded(entry.protocol, entry.content_digest)
    except ContentError:
        what = "The content that decided then is not here any more."
        raise UnusableRequest(Problem("not-found", what, _ASK_AGAIN)) from None
    language = looked_up(wanted.language or entry.language, protocol.languages)
    if not language:
        what = f"There are no texts in this language; there are: {', '.join(protocol.languages)}."
        raise UnusableRequest(Problem("value", what, "Ask for one of these in `lang`."))
    decision, body = decided_again(entry, protocol, base=base)
    if body != entry.response and changes(gist(entry.response), gist(body)):
        what = "This version of the service would recommend something else than was recorded."
        raise UnusableRequest(Problem("conflict", what, _ASK_AGAIN))
    case = decision.case
    infant, clinic = read_names(entry.request, case.subject, case.encounter)
    made_by = wanted._replace(language=language)
    return printed(decision, made_by, Whom("" if blank else infant, clinic)), made_by


def rendering_entry(
    its: Entry, about: int, wanted: Wanted, body: bytes, now: datetime, *, blank: bool
) -> Entry:
    """What is recorded: what was asked for, and the hash of what was handed out.

    `its` is the entry at index `about`. The bytes themselves can be made again from it.
    """
    asked = orjson.dumps(wanted._asdict() | {"name": "blank" if blank else "sent"})
    told = {"contentType": FORMATS[wanted.format], "size": len(body), "sha256": digest(body)}
    response = orjson.dumps(told)
    return replace(
        its,
        request=asked,
        response=response,
        request_sha256=digest(asked),
        response_sha256=digest(response),
        as_of=now,
        recorded=now,
        language=wanted.language,
        strict=False,
        kind=RENDERING,
        about=about,
        outcome="",
        classes=(),
        key="",
    )
