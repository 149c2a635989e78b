"""The body of the operation: a Bundle, or Parameters around one."""

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from msgspec import UNSET, Raw, UnsetType
from msgspec.json import Decoder

from cds_service.case import Origin, Refusal
from cds_service.errors import MalformedRequest, Problem, UnusableRequest
from cds_service.fhir import terms
from cds_service.fhir.lookup import Lookup
from cds_service.fhir.wire import (
    Bundle,
    Concept,
    Parameter,
    Parameters,
    Resource,
    decode,
    decoder,
    is_uri,
)
from cds_service.fhir.wire_resources import USUAL

_BUNDLE = decoder(Bundle[Raw])
_PARAMETERS = decoder(Parameters[Raw])
_WHOLE_BUNDLE = decoder(Bundle[USUAL])
_WHOLE_PARAMETERS = decoder(Parameters[Bundle[USUAL]])
_LANGUAGE = re.compile(r"[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*")
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(slots=True)
class Body:
    """The Bundle with its place, and what the parameters beside it said."""

    bundle: Bundle[Any]
    nodes: list[Any]
    """The entries as parsed JSON, for looking only."""
    place: str
    subject: str = ""
    encounter: str = ""
    language: str = ""
    as_of: datetime | None = None
    as_of_place: str = ""
    stock: frozenset[str] | None = None
    refusals: list[Refusal] = field(default_factory=list)


def printable(code: str) -> str:
    """A code as it may stand in a message: only what looks like one."""
    return code if _CODE.fullmatch(code) else "?"


def read_body(body: bytes, tree: Any, lookup: Lookup, *, whole: bool) -> Body:
    """Find the data and the parameters.

    `whole`: decode all resources in one go, which is quick but stops at the first fault and at
    any type of resource that is not read.

    Raises MalformedRequest when the body is neither, UnusableRequest when there is no data.
    """
    kind = tree.get("resourceType") if isinstance(tree, dict) else None
    if kind == "Bundle":
        bundle: Decoder[Bundle[Any]] = _WHOLE_BUNDLE if whole else _BUNDLE
        return _bundle(decode(bundle, body, kind), tree, kind)
    if kind == "Parameters":
        shape: Decoder[Parameters[Any]] = _WHOLE_PARAMETERS if whole else _PARAMETERS
        return _parameters(decode(shape, body, kind), tree, lookup)
    what = "The body is neither a Parameters nor a Bundle resource."
    remedy = "Send Parameters with the data Bundle in the parameter `data`, or the Bundle alone."
    raise MalformedRequest(Problem("structure", what, remedy))


def _bundle(sent: Any, node: Any, place: str) -> Body:
    if not isinstance(node, dict) or node.get("resourceType") != "Bundle":
        remedy = "Send the infant's resources in one Bundle."
        raise MalformedRequest(Problem("structure", "The data is not a Bundle.", remedy, place))
    bundle: Bundle[Any] = decode(_BUNDLE, sent, place) if isinstance(sent, Raw) else sent
    _no_unknown_rules(bundle, place)
    if bundle.type == "history":
        what = "A history Bundle mixes what holds with what no longer holds."
        remedy = "Send the current resources in a Bundle of type collection."
        raise UnusableRequest(Problem("business-rule", what, remedy, f"{place}.type"))
    return Body(bundle, node.get("entry", []), place)


def _no_unknown_rules(resource: Resource, place: str) -> None:
    if resource.has_unknown_rules():
        what = "An extension or rule may change the meaning of all that is in it."
        remedy = "Leave out implicitRules and modifierExtension, or send what they mean."
        raise UnusableRequest(Problem("extension", what, remedy, place))


_MOST = 1000
"""Parameters of one request. Each that is not known is told of: an answer of fifty megabytes."""


def _parameters(parameters: Parameters[Any], tree: Any, lookup: Lookup) -> Body:
    _no_unknown_rules(parameters, "Parameters")
    sent = [] if parameters.parameter is UNSET else parameters.parameter
    if len(sent) > _MOST:
        what, remedy = f"There are more than {_MOST} parameters.", "Send those of this infant."
        raise MalformedRequest(Problem("too-costly", what, remedy, "Parameters.parameter"))
    names = [one.name for one in sent]
    body = _data(sent, names, tree)
    stock: set[str] = set()
    for index, one in enumerate(sent):
        place = f"Parameters.parameter[{index}]"
        if one.name == "availableMedication":
            _stock(one, place, lookup, stock, body)
        elif one.name in _READ and one.modifier_extension is UNSET:
            _once(one.name, names, place)
            _READ[one.name](one, place, body)
        elif one.name != "data":
            body.refusals.append(Refusal("parameter-unknown", Origin(expression=place)))
    if "availableMedication" in names:
        body.stock = frozenset(stock)
    return body


def _data(sent: list[Parameter[Any]], names: list[str], tree: Any) -> Body:
    if "data" not in names:
        what = "There is no parameter `data`."
        remedy = "Send the infant's resources as a Bundle in the parameter `data`."
        raise UnusableRequest(Problem("required", what, remedy, "Parameters.parameter"))
    index = names.index("data")
    place = f"Parameters.parameter[{index}]"
    _once("data", names, place)
    one = sent[index]
    if one.resource is UNSET:
        raise MalformedRequest(_wrong(place, "resource"))
    if one.modifier_extension is not UNSET:
        what = "A modifierExtension may change the meaning of all that is in it."
        raise UnusableRequest(Problem("extension", what, "Leave it out.", place))
    node = tree["parameter"][index]["resource"]
    return _bundle(one.resource, node, f"{place}.resource")


def _once(name: str, names: list[str], place: str) -> None:
    if names.count(name) > 1:
        what = f"The parameter `{name}` is given more than once."
        raise MalformedRequest(Problem("structure", what, "Send it once.", place))


def _wrong(place: str, wanted: str) -> Problem:
    return Problem("structure", "The parameter has not the right type.", f"Send {wanted}.", place)


def _named(one: Parameter[Any], place: str) -> str:
    if isinstance(one.value_string, str):
        return one.value_string
    if one.value_reference is not UNSET and isinstance(one.value_reference.reference, str):
        return one.value_reference.reference
    raise MalformedRequest(_wrong(place, "valueString or valueReference"))


def _subject(one: Parameter[Any], place: str, body: Body) -> None:
    body.subject = _named(one, place)


def _encounter(one: Parameter[Any], place: str, body: Body) -> None:
    body.encounter = _named(one, place)
    # It stands in the answer as it was sent.
    if not is_uri(body.encounter):
        what = "A reference has no blanks and no control characters."
        raise MalformedRequest(Problem("value", what, "Send Encounter/{id}, or the id.", place))


def _as_of(one: Parameter[Any], place: str, body: Body) -> None:
    if one.value_date_time is UNSET:
        raise MalformedRequest(_wrong(place, "valueDateTime"))
    if one.value_date_time.exact is None:
        what = "`asOf` has no time of day."
        remedy = "Send a time with its offset, such as 2026-05-01T09:30:00+02:00."
        raise UnusableRequest(Problem("value", what, remedy, f"{place}.valueDateTime"))
    body.as_of, body.as_of_place = one.value_date_time.exact, f"{place}.valueDateTime"


def _language(one: Parameter[Any], place: str, body: Body) -> None:
    if one.value_code is UNSET and one.value_codeable_concept is UNSET:
        raise MalformedRequest(_wrong(place, "valueCodeableConcept or valueCode"))
    code = _first_code(one.value_codeable_concept) or one.value_code
    if isinstance(code, str) and _LANGUAGE.fullmatch(code):
        body.language = code
    else:
        body.refusals.append(Refusal("language-not-understood", Origin(expression=place)))


def _first_code(concept: Concept | UnsetType) -> str:
    codings = [] if concept is UNSET else concept.codings()
    return next((coding.code for coding in codings if isinstance(coding.code, str)), "")


def _stock(one: Parameter[Any], place: str, lookup: Lookup, stock: set[str], body: Body) -> None:
    if one.value_codeable_concept is UNSET:
        raise MalformedRequest(_wrong(place, "valueCodeableConcept"))
    codes = [
        coding.code
        for coding in one.value_codeable_concept.codings()
        if coding.code is not UNSET and terms.is_own(coding.system, terms.FORMULATION)
    ]
    if one.modifier_extension is not UNSET or not codes:
        body.refusals.append(Refusal("stock-not-understood", Origin(expression=place)))
        return
    for code in codes:
        if code in lookup.by_formulation:
            stock.add(code)
        else:
            details = (("code", printable(code)),)
            body.refusals.append(Refusal("stock-unknown", Origin(expression=place), details))


_READ = {
    "subject": _subject,
    "encounter": _encounter,
    "asOf": _as_of,
    "userLanguage": _language,
}
