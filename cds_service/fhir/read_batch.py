"""A batch: many requests in one Bundle (FHIR R4 http.html#transaction, bundle.html).

Only the shell is read here; the resource of an entry stays the bytes that were sent, and is
decoded once, by whoever answers the entry.
"""

from typing import Literal, NamedTuple

from msgspec import UNSET, Raw, UnsetType

from cds_service.errors import MalformedRequest, NotOffered, Problem, UnusableRequest
from cds_service.fhir import json_text
from cds_service.fhir.wire import Text, Wire, decode, decoder


class Asked(NamedTuple):
    """What one entry asks for; `resource` is b"" when there is none."""

    method: str
    url: str
    """Relative to the base, with its query."""
    resource: bytes
    if_none_match: str


class _Request(Wire, kw_only=True):
    """FHIR Bundle.entry.request."""

    method: Literal["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH"]
    url: Text
    if_none_match: Text | UnsetType = UNSET


_MEMBERS = decoder(dict[str, Raw])
_ENTRIES = decoder(list[dict[str, Raw]])
_TYPE = decoder(str)
_REQUEST = decoder(_Request)

_OF_BUNDLE = frozenset({
    "resourceType", "id", "meta", "implicitRules", "language", "identifier", "type", "timestamp",
    "link", "entry", "signature",
})  # fmt: skip
_OF_ENTRY = frozenset(
    {"id", "extension", "modifierExtension", "link", "fullUrl", "resource", "request"}
)
_CONDITIONS = ("ifMatch", "ifModifiedSince", "ifNoneExist")
_OF_REQUEST = frozenset(
    {"id", "extension", "modifierExtension", "method", "url", "ifNoneMatch", *_CONDITIONS}
)
"""Elements that R4 has in a batch (bdl-1 to bdl-4), for strict handling."""
_EMPTY = (b"null", b'""', b"[]", b"{}")
Members = dict[str, Raw]
"""A JSON object whose values are not decoded yet."""


def read_batch(body: bytes, *, strict: bool = False) -> list[Members]:
    """The entries of a batch, each to be read by `read_entry`.

    Raises MalformedRequest (not JSON, no Bundle, a repeated key), UnusableRequest (another type
    of Bundle, a rule that may change the meaning) and NotOffered (a transaction).
    """
    json_text.check_utf8(body)
    bundle = decode(_MEMBERS, body, "Bundle")
    _check_members(body, [bundle], "Bundle", _OF_BUNDLE if strict else None)
    if _text(bundle, "resourceType") != "Bundle":
        what = "The body is not a Bundle resource."
        raise MalformedRequest(Problem("structure", what, "Send a Bundle of type batch."))
    _check_type(_text(bundle, "type"))
    if "implicitRules" in bundle:
        raise UnusableRequest(_rules("Bundle"))
    if "entry" not in bundle:
        return []
    entries = decode(_ENTRIES, bundle["entry"], "Bundle.entry")
    _check_members(bytes(bundle["entry"]), entries, "Bundle.entry", _OF_ENTRY if strict else None)
    return entries


def _check_type(kind: str) -> None:
    place = "Bundle.type"
    if kind == "transaction":
        what = "A transaction is done as a whole or not at all: that is not offered here."
        remedy = "Send the Bundle with type batch; each of its entries is answered by itself."
        raise NotOffered(Problem("not-supported", what, remedy, place))
    if kind != "batch":
        remedy = "Send requests in a Bundle of type batch, and data of one infant to $apply."
        raise UnusableRequest(Problem("value", "The Bundle is no batch.", remedy, place))


def read_entry(entry: Members, index: int, *, strict: bool = False) -> Asked:
    """What one entry asks for; raises MalformedRequest and UnusableRequest, for it alone."""
    place = f"Bundle.entry[{index}]"
    if "request" not in entry:
        what = "The entry has no request (bdl-3)."
        remedy = "Send request.method and request.url."
        raise MalformedRequest(Problem("required", what, remedy, f"{place}.request"))
    where = f"{place}.request"
    members = decode(_MEMBERS, entry["request"], where)
    _check_members(bytes(entry["request"]), [members], where, _OF_REQUEST if strict else None)
    if "modifierExtension" in entry or "modifierExtension" in members:
        raise UnusableRequest(_rules(place))
    asked = decode(_REQUEST, entry["request"], where)
    reads = asked.method in ("GET", "HEAD")
    conditions = _CONDITIONS if reads else (*_CONDITIONS, "ifNoneMatch")
    for name in conditions:
        if name in members:
            what = f"The condition `{name}` is not supported here."
            remedy = "Leave it out; a GET may have ifNoneMatch, and the batch an Idempotency-Key."
            raise UnusableRequest(Problem("not-supported", what, remedy, f"{where}.{name}"))
    if reads and "resource" in entry:
        what = "A GET or HEAD has no resource."
        raise MalformedRequest(Problem("structure", what, "Leave it out.", f"{place}.resource"))
    resource = bytes(entry["resource"]) if "resource" in entry else b""
    tag = "" if asked.if_none_match is UNSET else asked.if_none_match
    return Asked(asked.method, asked.url, resource, tag)


def _check_members(
    text: bytes, objects: list[Members], place: str, known: frozenset[str] | None
) -> None:
    """Raise MalformedRequest when a key of these objects is repeated in the text they are of.

    Of two that are the same one is kept, and its quotation marks are missed in the count.
    `known`, under strict handling: only these elements, and none that is empty.
    """
    every = [pair for members in objects for pair in members.items()]
    quotes = sum(2 + name.count('"') + bytes(value).count(b'"') for name, value in every)
    if quotes != text.count(b'"'):
        what = "A property is given twice in one object, or its name is none of FHIR."
        raise MalformedRequest(Problem("duplicate", what, "Send each property once.", place))
    if known is not None and not all(
        name.removeprefix("_") in known and bytes(value) not in _EMPTY for name, value in every
    ):
        what = "An element is empty, or is none that FHIR R4 has in a batch."
        remedy = "Check the names, or leave it out."
        raise MalformedRequest(Problem("structure", what, remedy, place))


def _text(members: Members, name: str) -> str:
    return decode(_TYPE, members[name], f"Bundle.{name}") if name in members else ""


def _rules(place: str) -> Problem:
    what = "An extension or rule may change the meaning of all that is in it."
    return Problem("extension", what, "Leave out implicitRules and modifierExtension.", place)
