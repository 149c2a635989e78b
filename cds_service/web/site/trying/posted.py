"""What a form sent: names and values, or a refusal in words. No personal data is repeated in it."""

from collections.abc import Collection, Mapping
from typing import NamedTuple
from urllib.parse import parse_qsl, urlsplit

from starlette.requests import Request

from cds_service.web import problems
from cds_service.web.bodies import whole_body

FORM = "application/x-www-form-urlencoded"
MOST_BYTES = 32 * 1024
MOST_FIELDS = 250
MOST_LETTERS = 100
"""Of one value: nothing that is asked takes more."""


class Posted(NamedTuple):
    """The fields of a form."""

    one: Mapping[str, str]
    """What is sent once, by its name."""
    many: Mapping[str, tuple[str, ...]]
    """What may be sent more than once; a name that was not sent is not in it."""


async def read_posted(request: Request, names: Collection[str], many: Collection[str]) -> Posted:
    """The fields; raises Refused (400, 403, 413, 415), or Gone.

    `names` are those there are, `many` those of them that may be sent more than once.
    """
    _check_from_here(request)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != FORM:
        raise problems.unsupported_media("This is not a form.", FORM)
    declared = request.headers.get("content-length", "")
    pairs = _pairs(await whole_body(request.receive, declared, MOST_BYTES))
    one: dict[str, str] = {}
    several: dict[str, tuple[str, ...]] = {}
    for name, value in pairs:
        if name not in names:
            raise _unusable("A field is none of this form.")
        if name in many:
            several[name] = (*several.get(name, ()), value)
        elif name in one:
            raise _unusable("A field was sent more than once.")
        else:
            one[name] = value
    return Posted(one, several)


def _pairs(body: bytes) -> list[tuple[str, str]]:
    try:
        pairs = parse_qsl(
            body.decode("ascii"),
            keep_blank_values=True,
            strict_parsing=bool(body),
            errors="strict",
            max_num_fields=MOST_FIELDS,
        )
    except ValueError:  # also UnicodeDecodeError
        raise _unusable("The form cannot be read.") from None
    texts = [text for pair in pairs for text in pair]
    if any(len(text) > MOST_LETTERS or not text.isprintable() for text in texts):
        raise _unusable("A field has a value that is too long, or letters that no form sends.")
    return pairs


def _check_from_here(request: Request) -> None:
    """Refuse what a page of another server sends in its visitor's name (Fetch Metadata; Origin)."""
    site = request.headers.get("sec-fetch-site", "same-origin")
    origin = request.headers.get("origin", "")
    here = request.headers.get("host", "")
    # Behind a gateway the scheme may be another one here; the name has to be the same.
    foreign = origin != "" and urlsplit(origin).netloc != here
    if site not in ("same-origin", "none") or foreign:
        what = "This form was sent by a page of another server."
        raise problems.refused(403, "forbidden", what, "Open the page of this service and try it.")


def _unusable(what: str) -> problems.Refused:
    return problems.refused(400, "value", what, "Open the page again and fill in its form.")
