"""The request of a CDS Hooks service (2.0): hook, context, and the data that was prefetched.

What was prefetched becomes the very body that `$apply` reads, so there is one reader, one engine
and one log for both. Nothing is fetched: the address and the token of the caller's server are not
used, and the token is not kept.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import orjson
from msgspec import UNSET, Raw, UnsetType

from cds_service.case import Origin
from cds_service.errors import MalformedRequest, Problem, RequestError
from cds_service.fhir import json_text
from cds_service.fhir.facts import Sent, own_name
from cds_service.fhir.hook_data import Data, gathered
from cds_service.fhir.read_drafts import Drafts
from cds_service.fhir.wire import Text, Wire, decode, decoder
from cds_service.fhir.wire_resources import MedicationRequest

PATIENT_VIEW: Final = "patient-view"
ORDER_SELECT: Final = "order-select"
ORDER_SIGN: Final = "order-sign"
EXTENSION: Final = "example.cds-service.parameters"
"""The key under `extension` for what has no place in CDS Hooks: parameters of `$apply`."""
MOST_DRAFTS: Final = 100
"""Orders that are judged in one call."""

_UUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_ID = re.compile(r"[A-Za-z0-9.\-]{1,64}")
_PLACE = re.compile(r"^(?:Parameters\.parameter\[0\]\.resource|Bundle)\.entry\[(\d+)\]\.resource")
_TOKEN = b'{"access_token":"not-kept"}'


class _Context(Wire, kw_only=True):
    user_id: Text
    patient_id: Text
    encounter_id: Text | UnsetType = UNSET
    selections: list[Text] | UnsetType = UNSET
    draft_orders: Raw | UnsetType = UNSET


class _Envelope(Wire, kw_only=True):
    hook: Text
    hook_instance: Text
    context: _Context
    fhir_server: Text | UnsetType = UNSET
    fhir_authorization: Raw | UnsetType = UNSET
    prefetch: dict[str, Raw] | UnsetType = UNSET
    extension: dict[str, Raw] | UnsetType = UNSET


_ENVELOPE, _ORDER = decoder(_Envelope), decoder(MedicationRequest)


@dataclass(frozen=True, slots=True)
class HookRequest:
    """One call of a service, as the rest of the program needs it."""

    hook: str
    instance: str
    """`hookInstance`: the same call again has the same."""
    kept: bytes
    """The request as it may be recorded: as it came, but for the access token."""
    body: bytes
    """What `$apply` reads: Parameters with the data Bundle."""
    drafts: Drafts
    texts: Mapping[str, bytes]
    """The text of each drafted order by its reference."""
    not_sent: tuple[str, ...]
    """Keys of the templates that were not satisfied."""
    places: tuple[str, ...]
    """Where each entry of the Bundle stands in the request."""
    server: str = ""
    """The address of the caller's FHIR server, to tell its references by; never called."""

    def at_home(self, error: RequestError) -> RequestError:
        """The error with its places as the caller sent them."""
        told = [replace(each, expression=self._home(each.expression)) for each in error.problems]
        return type(error)(*told)

    def _home(self, expression: str) -> str:
        found = _PLACE.match(expression)
        if found is None or int(found[1]) >= len(self.places):
            return expression
        return f"{self.places[int(found[1])]}{expression[found.end() :]}"


def read_hook(body: bytes) -> HookRequest:
    """Read a call; raises MalformedRequest, and DataNotSent when what is needed is missing."""
    tree = json_text.parse(body)
    if not isinstance(tree, dict):
        raise MalformedRequest(Problem("structure", "The body is not an object.", _SPEC))
    sent = decode(_ENVELOPE, body, "$this")
    context = sent.context
    if not _UUID.fullmatch(sent.hook_instance):
        what = "hookInstance is not a UUID."
        raise MalformedRequest(Problem("value", what, "Send a fresh UUID.", "hookInstance"))
    patient = _bare(context.patient_id, "Patient", "context.patientId")
    server = _server(sent)
    given = {} if sent.prefetch is UNSET else sent.prefetch
    data = gathered(given, tree.get("prefetch") or {}, server)
    drafts, data = _drafts(context, tree["context"], sent.hook, data)
    encounter = ""
    if context.encounter_id is not UNSET:
        encounter = _bare(context.encounter_id, "Encounter", "context.encounterId")
    return HookRequest(
        hook=sent.hook,
        instance=sent.hook_instance.lower(),
        kept=_without_token(body, sent),
        body=_parameters(data, patient, encounter, sent),
        drafts=drafts,
        texts={one.own: bytes(raw) for one, raw, _ in drafts},
        not_sent=tuple(key for key in data.not_sent if key != "encounter" or encounter),
        places=data.places,
        server=server,
    )


def _bare(text: str, kind: str, place: str) -> str:
    """The id alone; some clients send `Patient/1` for it."""
    bare = text.removeprefix(f"{kind}/")
    if not _ID.fullmatch(bare):
        remedy = "Send the id of the resource: letters, digits, - and . only."
        raise MalformedRequest(Problem("value", "The id is not one of FHIR R4.", remedy, place))
    return bare


def _server(sent: _Envelope) -> str:
    server = "" if sent.fhir_server is UNSET else sent.fhir_server
    if sent.fhir_authorization is not UNSET and not server:
        what = "fhirAuthorization was sent without fhirServer."
        raise MalformedRequest(Problem("required", what, "Send both or none.", "fhirServer"))
    if server and not server.startswith(("http://", "https://")):
        what = "fhirServer is not an http(s) address."
        raise MalformedRequest(Problem("value", what, "Send its base address.", "fhirServer"))
    return server.rstrip("/")


def _without_token(body: bytes, sent: _Envelope) -> bytes:
    """The body without the token: whoever reads the log must not be able to use it."""
    if sent.fhir_authorization is UNSET:
        return body
    return body.replace(bytes(sent.fhir_authorization), _TOKEN)


def _drafts(context: _Context, node: Any, hook: str, data: Data) -> tuple[Drafts, Data]:
    """The drafted medicine orders; Medications among the drafts join the data."""
    if hook not in (ORDER_SELECT, ORDER_SIGN):
        return (), data
    place = "context.draftOrders"
    if context.draft_orders is UNSET:
        raise MalformedRequest(_missing(place))
    if hook == ORDER_SELECT and context.selections is UNSET:
        raise MalformedRequest(_missing("context.selections"))
    orders, data = data.with_drafts(context.draft_orders, node["draftOrders"], place)
    if len(orders) > MOST_DRAFTS:
        what = f"More than {MOST_DRAFTS} orders are drafted."
        raise MalformedRequest(Problem("too-costly", what, "Send those of this infant.", place))
    selected = None if context.selections is UNSET else set(context.selections)
    found = []
    for raw, where in orders:
        order = decode(_ORDER, raw, where)
        name = own_name(order)
        if not name or not _ID.fullmatch(name.removeprefix("MedicationRequest/")):
            raise MalformedRequest(_missing(f"{where}.id"))
        is_selected = hook == ORDER_SIGN or selected is None or name in selected
        found.append((Sent(order, "", Origin(name, where)), raw, is_selected))
    names = [one.own for one, _, _ in found]
    if len(set(names)) < len(names):
        what = "Two drafted orders have the same id."
        raise MalformedRequest(Problem("duplicate", what, "Send each order once.", place))
    return tuple(found), data


def _missing(place: str) -> Problem:
    name = place.rpartition(".")[2]
    return Problem("required", f"{name} is missing, or is not usable.", _SPEC, place)


def _parameters(data: Data, patient: str, encounter: str, sent: _Envelope) -> bytes:
    """What `$apply` reads; the data come first, so that their places are known."""
    named = [("data", b'"resource":' + data.bundle())]
    named.append(("subject", b'"valueString":' + orjson.dumps(f"Patient/{patient}")))
    if encounter:
        named.append(("encounter", b'"valueString":' + orjson.dumps(f"Encounter/{encounter}")))
    parts = [b'{"name":"%b",%b}' % (name.encode(), value) for name, value in named]
    extra = UNSET if sent.extension is UNSET else sent.extension.get(EXTENSION, UNSET)
    if extra is not UNSET:
        text = bytes(extra).strip()
        if not (text.startswith(b"[") and text.endswith(b"]")):
            remedy = "Send an array of FHIR Parameters.parameter."
            what = "The extension is not an array."
            raise MalformedRequest(Problem("structure", what, remedy, f"extension.{EXTENSION}"))
        if inside := text[1:-1].strip():
            parts.append(inside)
    return b'{"resourceType":"Parameters","parameter":[%b]}' % b",".join(parts)


_SPEC = "See the CDS Hooks specification, and GET /cds-services for what is asked for."
