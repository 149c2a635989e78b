"""A request with other answers: what the form changed is exchanged, all else stays as sent."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import orjson

from cds_service.content.model import Measure
from cds_service.content.treatment import Protocol
from cds_service.fhir.codes import BIRTH_TIME, LOINC, SNOMED, UCUM, own_system
from cds_service.fhir.references import base_of
from cds_service.fhir.terms import SITE_BY_LOINC, SITE_BY_SNOMED
from cds_service.web.site.trying.filled import Filled
from cds_service.web.site.trying.places import found_at, without
from cds_service.web.site.trying.questions import (
    AGAIN,
    BORN,
    BORN_AT,
    LANGUAGE,
    NOT_ASSESSED,
    SEX,
    SITE,
    UNIT,
)

Json = dict[str, Any]
SERVER = "https://invented.example/fhir"
"""Where the invented infant of the form would be kept."""
_BETWEEN = timedelta(minutes=5)
"""From the first count of the breaths to the second."""
_BCP_47 = "urn:ietf:bcp:47"


def blank(as_of: datetime) -> bytes:
    """A request of which nothing is known but that there is an infant."""
    patient = {"resourceType": "Patient", "id": "invented-infant"}
    data = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": f"{SERVER}/Patient/invented-infant", "resource": patient}],
    }
    return _json(_parameters(as_of, {"name": "data", "resource": data}))


def _parameters(as_of: datetime, data: Json) -> Json:
    moment = {"name": "asOf", "valueDateTime": as_of.isoformat(timespec="seconds")}
    return {"resourceType": "Parameters", "parameter": [moment, data]}


def _json(tree: Json) -> bytes:
    return orjson.dumps(tree, option=orjson.OPT_INDENT_2)


class Edit:
    """Changes to one request; `values` are those of the form now, by the names of its fields."""

    def __init__(
        self,
        filled: Filled,
        values: Mapping[str, str],
        stock: Sequence[str],
        protocol: Protocol,
        base: str,
    ) -> None:
        self._filled = filled
        self._values = values
        self._stock = tuple(sorted(stock))
        self._protocol = protocol
        self._base = base

    def done(self) -> bytes:
        """The request; the very bytes that came when nothing was changed."""
        changed = [code for code in self._codes() if self._differs(code)]
        others = (BORN, BORN_AT, SEX, LANGUAGE)
        other = any(self._value(name) != self._before(name) for name in others)
        if not changed and not other and self._stock == self._filled.stock:
            return self._filled.body
        tree = orjson.loads(self._filled.body)
        self._patient(found_at(tree, self._filled.patient))
        places = [place for code in changed for place in self._filled.places.get(code, ())]
        tree = self._told_beside(without(tree, places))
        entries = _data(tree).setdefault("entry", [])
        entries += [entry for code in changed for entry in self._entries(code)]
        return _json(tree)

    def _codes(self) -> Iterator[str]:
        yield from self._protocol.measure_by_code
        yield from self._protocol.sign_by_code

    def _value(self, name: str) -> str:
        return self._values.get(name, "")

    def _before(self, name: str) -> str:
        return self._filled.values.get(name, "")

    def _differs(self, code: str) -> bool:
        if code in self._protocol.sign_by_code:
            given, before = self._value(code), self._before(code)
            return (given or NOT_ASSESSED) != (before or NOT_ASSESSED)
        names = [code, code + AGAIN]
        if self._value(code):  # a unit or a site of nothing says nothing
            names += [code + UNIT, code + SITE]
        return any(self._value(name) != self._before(name) for name in names)

    def _patient(self, patient: Json) -> None:
        if self._value(SEX) != self._before(SEX):
            _put(patient, "gender", self._value(SEX))
        born, at = self._value(BORN), self._value(BORN_AT)
        if (born, at) == (self._before(BORN), self._before(BORN_AT)):
            return
        _put(patient, "birthDate", born)
        patient.pop("_birthDate", None)
        if born and at:
            zone = self._filled.as_of.isoformat()[-6:]
            time = {"url": BIRTH_TIME, "valueDateTime": f"{born}T{at}:00{zone}"}
            patient["_birthDate"] = {"extension": [time]}

    def _told_beside(self, tree: Json) -> Json:
        """The parameters beside the data: language and stock."""
        language = self._value(LANGUAGE)
        new_language = language != self._before(LANGUAGE)
        new_stock = self._stock != self._filled.stock
        if not new_language and not new_stock:
            return tree
        if tree["resourceType"] == "Bundle":
            tree = _parameters(self._filled.as_of, {"name": "data", "resource": tree})
        if new_language:
            told = [_coded("userLanguage", _BCP_47, language)] if language else []
            _exchange(tree, "userLanguage", told)
        if new_stock:
            system = own_system(self._base, "formulation")
            name = "availableMedication"
            _exchange(tree, name, [_coded(name, system, code) for code in self._stock])
        return tree

    def _entries(self, code: str) -> Iterator[Json]:
        measure = self._protocol.measure_by_code.get(code)
        if measure is not None:
            yield from self._measured(measure)
        elif (answer := self._value(code) or NOT_ASSESSED) != NOT_ASSESSED:
            coding = {"system": own_system(self._base, "finding"), "code": code}
            text = self._protocol.text_by_key[f"sign.{code}"]
            asked = {"coding": [coding], "text": text}
            yield self._entry(code, asked, {"valueBoolean": answer == "yes"})

    def _measured(self, measure: Measure) -> Iterator[Json]:
        code = measure.code
        first, again = self._value(code), self._value(code + AGAIN)
        unit = self._value(code + UNIT) or measure.unit
        earlier = self._filled.as_of - _BETWEEN if again else self._filled.as_of
        if first:
            value = self._quantity(measure, first, unit)
            yield self._entry(code, *value, at=earlier)
        if again:
            value = self._quantity(measure, again, unit)
            yield self._entry(f"{code}-again", *value)

    def _quantity(self, measure: Measure, value: str, unit: str) -> tuple[Json, Json]:
        site = self._value(measure.code + SITE)
        codes = [each for each in measure.loinc if SITE_BY_LOINC.get(each) == site]
        general = [each for each in measure.loinc if each not in SITE_BY_LOINC]
        code = (codes or general or list(measure.loinc))[0]
        text = self._protocol.text_by_key[f"measure.{measure.code}"]
        asked = {"coding": [{"system": LOINC, "code": code}], "text": text}
        size = {"value": _number(value), "unit": unit, "system": UCUM, "code": unit}
        told: Json = {"valueQuantity": size}
        if site and not codes:
            place = next(known for known, name in SITE_BY_SNOMED.items() if name == site)
            told["bodySite"] = {"coding": [{"system": SNOMED, "code": place}]}
        return asked, told

    def _entry(self, name: str, code: Json, told: Json, at: datetime | None = None) -> Json:
        subject = self._filled.subject
        server = base_of(subject) or SERVER
        observation = {
            "resourceType": "Observation",
            "id": name,
            "status": "final",
            "code": code,
            "subject": {"reference": subject},
            "effectiveDateTime": (at or self._filled.as_of).isoformat(timespec="seconds"),
            **told,
        }
        return {"fullUrl": f"{server}/Observation/{name}", "resource": observation}


def _data(tree: Json) -> Json:
    """The Bundle of a request."""
    if tree["resourceType"] == "Bundle":
        return tree
    found: Json = next(each for each in tree["parameter"] if each["name"] == "data")["resource"]
    return found


def _put(resource: Json, name: str, value: str) -> None:
    resource.pop(name, None)
    if value:
        resource[name] = value


def _exchange(tree: Json, name: str, parameters: list[Json]) -> None:
    others = [each for each in tree["parameter"] if each["name"] != name]
    tree["parameter"] = [*others[:-1], *parameters, *others[-1:]]


def _coded(name: str, system: str, code: str) -> Json:
    return {"name": name, "valueCodeableConcept": {"coding": [{"system": system, "code": code}]}}


def _number(text: str) -> int | float:
    """As JSON has it: what a form may send is short enough to be exact."""
    value = Decimal(text)
    return int(value) if value == value.to_integral_value() else float(value)
