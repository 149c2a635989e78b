"""Requests that must never lead to a dose, nor to an answer of 500 or above.

`status` is what the service answers. With 200 the weight (or the stock) is refused as a fact,
for the reason `reason`, and the rest is answered; under `Prefer: handling=strict` it is 422, or
400 where FHIR's full models refuse it already.
"""

from dataclasses import dataclass
from typing import Any

from tests.fhir.sending import (
    AS_OF,
    OWN,
    SERVER,
    UCUM,
    Json,
    asked,
    bundle,
    concept,
    entry,
    infant,
    parameters,
    patient,
    quantity,
    text,
    weight,
)


@dataclass(frozen=True, slots=True)
class Hostile:
    """One hostile request: what is answered, where the fault is, or why a fact is refused."""

    name: str
    body: bytes
    status: int
    expression: str = ""
    reason: str = ""


DATA = "Parameters.parameter[1].resource"
LAST = f"{DATA}.entry[13].resource"
"""Where `asked` puts what is added to the infant."""
FIRST = f"{DATA}.entry[0].resource"
GOOD = text(asked(weight(3.2)))


def _swapped(old: str, new: str | bytes) -> bytes:
    """The good request with one piece of its text replaced."""
    before = old.encode()
    assert GOOD.count(before) == 1, old
    return GOOD.replace(before, new if isinstance(new, bytes) else new.encode())


def _without_url(resource: Json) -> Json:
    return {"resource": resource}


def _raw() -> list[Hostile]:
    nested = '"extension": ' + '[{"extension": ' * 150 + "[]" + "}]" * 150
    value = '"value": 3.2'
    place = f"{LAST}.valueQuantity.value"
    return [
        Hostile("empty body", b"", 400),
        Hostile("not JSON", b"weight = 3.2 kg", 400),
        Hostile("cut off", GOOD[:-40], 400),
        Hostile("two documents", GOOD + GOOD, 400),
        Hostile("byte order mark", b"\xef\xbb\xbf" + GOOD, 400),
        Hostile("not UTF-8", _swapped('"weight-1"', b'"weight-\xe9"'), 400),
        Hostile("half a surrogate pair", _swapped('"weight-1"', '"weight-\\ud800"'), 400),
        Hostile("NaN", _swapped(value, '"value": NaN'), 400),
        Hostile("more than a double holds", _swapped(value, '"value": 1e400'), 400),
        Hostile("leading zero", _swapped(value, '"value": 03.2'), 400),
        Hostile("weight given twice", _swapped(value, f'{value}, "value": 32'), 400, place),
        Hostile(
            "weight given twice, the key spelt with an escape",
            _swapped(value, f'{value}, "v\\u0061lue": 32'),
            400,
            place,
        ),
        Hostile(
            "weight given twice, the count of quotation marks made up for",
            _swapped(value, f'{value}, "value": 32, "note": "\\u0022\\u0022"'),
            400,
            place,
        ),
        Hostile(
            "status given twice",
            _swapped('"id": "weight-1"', '"id": "weight-1", "status": "entered-in-error"'),
            400,
            f"{LAST}.status",
        ),
        Hostile("a hundred thousand brackets", b"[" * 100_000, 400),
        Hostile("nested 300 levels", _swapped('"id": "weight-1"', f'"id": "w", {nested}'), 400),
        Hostile("nested 900 levels", b'{"a":' * 900 + b"1" + b"}" * 900, 400),
        Hostile("weight of 400 digits", _swapped(value, f'"value": 3.{"2" * 400}'), 400, place),
        Hostile("weight of ten to the 30", _swapped(value, '"value": 3e30'), 400, place),
        Hostile("weight of ten to the -30", _swapped(value, '"value": 3e-30'), 400, place),
    ]


def _malformed_weight() -> list[Hostile]:
    def one(name: str, below: str, **changes: Any) -> Hostile:
        return Hostile(name, text(asked(weight(**changes))), 400, f"{LAST}{below}")

    value = ".valueQuantity.value"
    absent = concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "unknown")
    smaller = {**quantity(3.2, "kg"), "comparator": "~"}
    return [
        one("weight as text", value, value="3.2"),
        one("weight is true", value, value=True),
        one("weight is null", value, value=None),
        one("weight is a list", value, value=[3.2]),
        one("unit is a number", ".valueQuantity.unit", valueQuantity={"value": 3.2, "unit": 1}),
        one("comparator that is none", ".valueQuantity.comparator", valueQuantity=smaller),
        one("status that is none", ".status", status="banana"),
        one("no status", ".status", status=...),
        one("status in capitals", ".status", status="FINAL"),
        one("codes in no list", ".code.coding", code={"coding": {"code": "29463-7"}}),
        one("no codes in the list", ".code.coding", code={"coding": []}),
        one("code is null", ".code", code=None),
        one("two values", ".value", valueBoolean=True),
        one("a value and none", ".dataAbsentReason", dataAbsentReason=absent),
        one("two times", ".effective", effectiveInstant=AS_OF),
        one("day 45 of month 13", ".effectiveDateTime", effectiveDateTime="2026-13-45"),
        one("time without offset", ".effectiveDateTime", effectiveDateTime="2026-05-01T09:30:00"),
        one("time of 25 hours", ".effectiveDateTime", effectiveDateTime="2026-05-01T25:00:00Z"),
        one("time as a number", ".effectiveDateTime", effectiveDateTime=20260501),
        one("the year 26", ".effectiveDateTime", effectiveDateTime="0026-05-01"),
        one(
            "period that ends before it starts",
            ".effectivePeriod",
            effectiveDateTime=...,
            effectivePeriod={"start": "2026-05-01", "end": "2026-04-01"},
        ),
        one("no component in the list", ".component", component=[]),
        one("component without a code", ".component[0].code", component=[{"valueBoolean": True}]),
        one(
            "component with two values",
            ".component[0].value",
            component=[{"code": {"text": "x"}, "valueBoolean": True, "valueInteger": 1}],
        ),
        one("id with a blank", ".id", id="weight 1"),
        one("id of 65 letters", ".id", id="w" * 65),
        one("no modifier in the list", ".modifierExtension", modifierExtension=[]),
    ]


def _malformed() -> list[Hostile]:
    data = bundle(*infant())
    good, other = entry(weight(3.2)), entry(weight(32))
    versioned = {**good, "fullUrl": f"{SERVER}/Observation/weight-1/_history/2"}
    return [
        Hostile("a list", text([asked(weight())]), 400),  # type: ignore[arg-type]
        Hostile("a lone Patient", text(patient()), 400),
        Hostile("no resourceType", text({"entry": []}), 400),
        Hostile(
            "gender that is none", text(asked(weight(), gender="alien")), 400, f"{FIRST}.gender"
        ),
        Hostile(
            "born on 30 February",
            text(asked(weight(), birthDate="2026-02-30")),
            400,
            f"{FIRST}.birthDate",
        ),
        Hostile(
            "resource without type",
            text(parameters({**data, "entry": [*data["entry"], {"resource": {"id": "x"}}]})),
            400,
            LAST,
        ),
        Hostile(
            "resource that is a text",
            text(parameters({**data, "entry": [*data["entry"], {"resource": "weight"}]})),
            400,
            LAST,
        ),
        Hostile(
            "versioned fullUrl",
            text(parameters({**data, "entry": [*data["entry"], versioned]})),
            400,
            f"{DATA}.entry[13].fullUrl",
        ),
        Hostile(
            "one weight, two contents",
            text(parameters({**data, "entry": [*data["entry"], good, other]})),
            400,
            f"{DATA}.entry[14].resource",
        ),
        Hostile(
            "one weight, two contents, no fullUrl",
            text(
                parameters(
                    {
                        **data,
                        "entry": [
                            *data["entry"],
                            _without_url(weight(3.2)),
                            _without_url(weight(32)),
                        ],
                    }
                )
            ),
            400,
            f"{DATA}.entry[14].resource",
        ),
        Hostile("no entry in the list", text(parameters(bundle(entry=[]))), 400, f"{DATA}.entry"),
        Hostile(
            "Bundle of no type", text(parameters({**data, "type": "pile"})), 400, f"{DATA}.type"
        ),
        Hostile("data twice", text(parameters(data, {"name": "data", "resource": data})), 400),
        Hostile("data that is a Patient", text(parameters(patient())), 400, DATA),
        Hostile(
            "asOf as a text",
            text(parameters(data, {"name": "subject", "valueDateTime": AS_OF})),
            400,
            "Parameters.parameter[2]",
        ),
    ]


def _unusable() -> list[Hostile]:
    data = bundle(*infant(weight()))
    twin = patient(id="infant-2")
    rule = [{"url": "http://upper-brenna.example/not-this-infant", "valueBoolean": True}]
    named = {"name": "subject", "valueString": "Patient/infant-9"}
    return [
        Hostile("no Patient", text(parameters(bundle(weight()))), 422, f"{DATA}.entry"),
        Hostile("empty Bundle", text(parameters(bundle(entry=...))), 422, f"{DATA}.entry"),
        Hostile("two Patients", text(asked(weight(), twin)), 422, f"{DATA}.entry"),
        Hostile("a subject who is not there", text(parameters(data, named)), 422, f"{DATA}.entry"),
        Hostile("deceased", text(asked(weight(), deceasedBoolean=True)), 422, FIRST),
        Hostile("died on a day", text(asked(weight(), deceasedDateTime="2026-04-30")), 422, FIRST),
        Hostile("60 days old", text(asked(weight(), birthDate="2026-03-02")), 422, FIRST),
        Hostile("a grown child", text(asked(weight(), birthDate="2019")), 422, FIRST),
        Hostile("born tomorrow", text(asked(weight(), birthDate="2026-05-02")), 422, FIRST),
        Hostile("Patient with a rule", text(asked(weight(), modifierExtension=rule)), 422, FIRST),
        Hostile(
            "Bundle with a rule",
            text(parameters({**data, "implicitRules": "http://upper-brenna.example/rules"})),
            422,
            DATA,
        ),
        Hostile("a history", text(parameters({**data, "type": "history"})), 422, f"{DATA}.type"),
        Hostile(
            "no data",
            text(
                {
                    "resourceType": "Parameters",
                    "parameter": [{"name": "asOf", "valueDateTime": AS_OF}],
                }
            ),
            422,
            "Parameters.parameter",
        ),
        Hostile(
            "asOf without a time",
            text(parameters(data, as_of="2026-05-01")),
            422,
            "Parameters.parameter[0].valueDateTime",
        ),
    ]


def _refused_weight() -> list[Hostile]:
    def one(name: str, reason: str, **changes: Any) -> Hostile:
        return Hostile(name, text(asked(weight(**changes))), 200, LAST, reason)

    rule = [{"url": "http://upper-brenna.example/not-done", "valueBoolean": True}]
    less = {**quantity(3.2, "kg"), "comparator": "<"}
    no_code = {"value": 3.2, "unit": "kg"}
    no_system = {"value": 3.2, "unit": "kg", "code": "kg"}
    pounds = {**quantity(3.2, "kg"), "unit": "lb"}
    grams = {**quantity(3.2, "kg"), "unit": "Grams"}
    other_system = {**quantity(3.2, "kg"), "system": "http://upper-brenna.example/units"}
    return [
        one("entered in error", "status-not-usable", status="entered-in-error"),
        one("cancelled", "status-not-usable", status="cancelled"),
        one("registered", "status-not-usable", status="registered"),
        one("status unknown", "status-not-usable", status="unknown"),
        one("less than 3.2 kg", "comparator", valueQuantity=less),
        one("3.2 of nothing", "unit-not-read", valueQuantity={"value": 3.2}),
        one("unit as words only", "unit-not-read", valueQuantity=no_code),
        one("unit code without system", "unit-not-read", valueQuantity=no_system),
        one("unit of another system", "unit-not-read", valueQuantity=other_system),
        one("weight in stone", "unit-not-read", unit="[stone_av]"),
        one("weight in Celsius", "unit-not-read", unit="Cel"),
        one("weight in kilograms, capital", "unit-not-read", unit="KG"),
        one("pounds, coded as kilograms", "units-contradict", valueQuantity=pounds),
        one("grams, coded as kilograms", "units-contradict", valueQuantity=grams),
        one("weight in words only", "code-only-text", code={"text": "Weight"}),
        one("negative weight", "impossible", value=-3.2),
        one("weight of zero", "impossible", value=0),
        one("weight of a lorry", "impossible", value=32000),
        one(
            "unit without value",
            "quantity-missing",
            valueQuantity={"unit": "kg", "system": UCUM, "code": "kg"},
        ),
        one("weight as a text value", "quantity-missing", valueQuantity=..., valueString="3.2 kg"),
        one(
            "weight as a range",
            "quantity-missing",
            valueQuantity=...,
            valueRange={"low": {"value": 3}},
        ),
        one("no weight in the weight", "quantity-missing", valueQuantity=...),
        one("modifierExtension", "modifier-extension", modifierExtension=rule),
        one("implicitRules", "modifier-extension", implicitRules="http://upper-brenna.example/r"),
        one("no subject", "subject-missing", subject=...),
        one("subject by name only", "subject-missing", subject={"display": "the infant"}),
        one("subject by number only", "subject-missing", subject={"identifier": {"value": "7"}}),
        one("another's weight", "subject-other", subject={"reference": "Patient/infant-2"}),
        one("a contained subject", "subject-missing", subject={"reference": "#infant-1"}),
        one(
            "the same id on another server",
            "subject-other",
            subject={"reference": "http://upper-brenna.example/fhir/Patient/infant-1"},
        ),
        one("weighed tomorrow", "future", effectiveDateTime="2026-05-02"),
        one("weighed in an hour", "future", effectiveDateTime="2026-05-01T10:40:00+02:00"),
        one("weighed at noon, further east", "future", effectiveDateTime="2026-05-01T07:46:00Z"),
        one(
            "weighed by a schedule",
            "time-not-understood",
            effectiveDateTime=...,
            effectiveTiming={"event": ["2026-05-01T09:30:00+02:00"]},
        ),
        one(
            "two codes that disagree",
            "code-ambiguous",
            code={
                "coding": [
                    {"system": "http://loinc.org", "code": code} for code in ("29463-7", "8339-4")
                ]
            },
        ),
    ]


def _refused_otherwise() -> list[Hostile]:
    entries = bundle(*infant())["entry"]
    elsewhere = {
        "fullUrl": "http://upper-brenna.example/fhir/Observation/weight-1",
        "resource": weight(),
    }
    part = {"code": weight()["code"], "valueQuantity": quantity(3.2, "Cel")}
    rule = [{"url": "http://upper-brenna.example/x"}]
    panel = weight(code=concept("http://loinc.org", "85353-1"), valueQuantity=...)
    marked_part = {**part, "valueQuantity": quantity(3.2, "kg"), "modifierExtension": rule}
    marked = {**entry(weight()), "modifierExtension": [{"url": "http://upper-brenna.example/x"}]}

    def with_entry(one: Json) -> bytes:
        return text(parameters(bundle(entry=[*entries, one])))

    unknown = {
        "name": "availableMedication",
        "valueCodeableConcept": concept(f"{OWN}/formulation", "amoxicilin-250-dt"),
    }
    return [
        Hostile("relative to another server", with_entry(elsewhere), 200, LAST, "subject-other"),
        Hostile(
            "weight in Celsius, in a panel",
            with_entry(entry({**panel, "component": [part]})),
            200,
            f"{LAST}.component[0]",
            "unit-not-read",
        ),
        Hostile(
            "component with a rule",
            with_entry(entry({**panel, "component": [marked_part]})),
            200,
            f"{LAST}.component[0]",
            "modifier-extension",
        ),
        Hostile("entry with a rule", with_entry(marked), 200, LAST, "modifier-extension"),
        Hostile(
            "only a misspelt product in stock",
            text(parameters(bundle(*infant(weight())), unknown)),
            200,
            "Parameters.parameter[2]",
            "stock-unknown",
        ),
    ]


HOSTILE: tuple[Hostile, ...] = (
    *_raw(),
    *_malformed_weight(),
    *_malformed(),
    *_unusable(),
    *_refused_weight(),
    *_refused_otherwise(),
)
