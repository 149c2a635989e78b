"""Hostile bundles beside those of tests/fhir/hostile.py: they attack the machine, not a fact.

No infant here has a weight that may be believed, so whatever is answered, no dose may be in it.
"""

from collections.abc import Iterator
from typing import Any

from tests.fhir.sending import (
    AS_OF,
    Json,
    asked,
    bundle,
    concept,
    entry,
    finding,
    infant,
    observation,
    parameters,
    patient,
    quantity,
    text,
    weight,
)

PLAIN = text(asked())
"""The infant without a weight."""
WEIGHED = text(asked(weight(3.2)))
SCRIPT = "<script>alert(1)</script>"
XHTML = '<div xmlns="http://www.w3.org/1999/xhtml"><img src="x" onerror="alert(1)"/></div>'


def hostile() -> dict[str, bytes]:
    """Each by its name."""
    return {
        name: body
        for kind in (_deep, _large, _numbers, _twice, _letters, _circles, _words, _times, _units)
        for name, body in kind()
    }


def _valued(value: str) -> bytes:
    """The weight as this JSON."""
    assert WEIGHED.count(b'"value": 3.2') == 1
    return WEIGHED.replace(b'"value": 3.2', f'"value": {value}'.encode())


def _with(**members: str) -> bytes:
    """The infant whose Patient has these members, as they stand."""
    more = "".join(f'"{name}": {value}, ' for name, value in members.items())
    return PLAIN.replace(
        b'"resourceType": "Patient", ', f'"resourceType": "Patient", {more}'.encode()
    )


def _deep() -> Iterator[tuple[str, bytes]]:
    for depth in (100, 1_000, 100_000):
        yield f"lists in lists, {depth}", _with(x="[" * depth + "]" * depth)
        yield f"objects in objects, {depth}", _with(x='{"a":' * depth + "1" + "}" * depth)
    inner = '{"resourceType":"Basic","contained":[' * 500 + "]}" * 500
    yield "contained in contained", _with(contained=f"[{inner}]")
    yield "Bundles in Bundles", text(parameters(_nested(bundle(*infant()), 60)))
    yield "Parameters in Parameters", text(parameters(parameters(bundle(*infant()))))
    yield "brackets that never end", b"[" * 900_000
    yield "open objects that never end", b'{"a":' * 150_000


def _nested(inner: Json, depth: int) -> Json:
    for _ in range(depth):
        inner = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": inner}]}
    return inner


def _large() -> Iterator[tuple[str, bytes]]:
    basic = [{"resource": {"resourceType": "Basic", "id": f"b{n}"}} for n in range(10_000)]
    whole = [entry(each) for each in infant()]
    yield "10,000 other resources", text(parameters(bundle(entry=whole + basic)))
    yield "10,000 entries of nothing", text(parameters(bundle(entry=whole + [{}] * 10_000)))
    yield "10,000 codings", text(asked(weight(code={"coding": [{"code": "x"}] * 10_000})))
    yield "3,000 findings", text(asked(*(finding("convulsions", id=f"c{n}") for n in range(3_000))))
    yield "3,000 weights", text(asked(*(weight(1 + n / 1000, id=f"w{n}") for n in range(2_000))))
    yield "10,000 parameters", text(parameters(bundle(*infant()), *[{"name": "x"}] * 10_000))
    yield "1,000 parameters", text(parameters(bundle(*infant()), *[{"name": "x"}] * 998))
    yield "10,000 members", _with(**{f"m{n}": "1" for n in range(10_000)})
    yield "a name of 900,000 letters", _with(name=f'[{{"text": "{"a" * 900_000}"}}]')
    yield "a key of 900,000 letters", _with(**{"k" * 900_000: "1"})
    yield "an id of 100,000 letters", PLAIN.replace(b"infant-1", b"i" * 100_000)
    yield "escapes without end", _with(x='"' + r"\u0041" * 100_000 + '"')
    yield "blanks without end", PLAIN + b" " * 900_000
    yield "larger than is taken", PLAIN + b" " * 1_200_000


def _numbers() -> Iterator[tuple[str, bytes]]:
    for value in (
        "1e999999999", "-1e999999999", "1e-999999999", "9" * 5_000, "0." + "0" * 5_000 + "1",
        "3.2e+0000000000000000000000000000001", "Infinity", "-Infinity", "0x10", "1_000", "+3.2",
        "3.", ".5", "-0", "-0.0", "1E400", "٣", "3,2", "true", "[]", "{}", '"3.2"', '"NaN"',
    ):  # fmt: skip
        yield f"a weight of {value[:40]}", _valued(value)


def _twice() -> Iterator[tuple[str, bytes]]:
    yield "the birthday twice", _with(birthDate='"2026-04-01"')
    yield "the type twice", PLAIN.replace(b'"Patient"', b'"Patient", "resourceType": "Patient"', 1)
    yield "the weight twice", _valued('3.2, "value": 3.2')
    yield "the weight twice, by an escape", _valued('3.2, "\\u0076alue": 3.2')
    both = {"valueQuantity": quantity(3.2, "kg"), "valueString": "3.2"}
    yield "a weight as quantity and as text", text(asked(weight(**both)))
    yield (
        "a finding yes and no",
        text(asked(finding("umbilicus-red", valueBoolean=True, valueInteger=1))),
    )
    two = {"effectiveDateTime": AS_OF, "effectivePeriod": {"start": AS_OF}}
    yield "two kinds of time", text(asked(weight(**two)))
    dead = patient(deceasedBoolean=False, deceasedDateTime="2026-05-01")
    yield "dead and not dead", text(parameters(bundle(dead, *infant()[1:])))


def _letters() -> Iterator[tuple[str, bytes]]:
    for name, escape in (
        ("NUL", "\\u0000"), ("half a surrogate pair", "\\ud800"), ("the other half", "\\udc00"),
        ("two first halves", "\\ud800\\ud800"), ("right to left", "\\u202e"),
        ("a non-character", "\\uffff"),
        ("a line break", "\\n"), ("a separator of lines", "\\u2028"),
    ):  # fmt: skip
        yield f"{name} in a name", _with(name=f'[{{"text": "a{escape}b"}}]')
        yield f"{name} in an id", PLAIN.replace(b"infant-1", f"infant{escape}".encode())
    yield "a NUL between members", PLAIN.replace(b'"gender"', b'\0"gender"')
    yield "a bare NUL in a text", PLAIN.replace(b'"female"', b'"fem\0ale"')
    yield "letters of one too many bytes", PLAIN.replace(b"female", b"\xc0\xaf")
    yield "a surrogate in bytes", PLAIN.replace(b"female", b"\xed\xa0\x80")
    yield "UTF-16", PLAIN.decode().encode("utf-16")
    yield "a comment", b"/* x */" + PLAIN


def _circles() -> Iterator[tuple[str, bytes]]:
    def related(name: str, *others: str, **more: Any) -> Json:
        members = [{"reference": f"Observation/{other}"} for other in others]
        return observation(name, concept("http://loinc.org", "85353-1"), hasMember=members, **more)

    yield "members of each other", text(asked(related("a", "b"), related("b", "a")))
    yield "a member of itself", text(asked(related("a", "a")))
    chain = [related(f"m{n}", f"m{n + 1}") for n in range(1_000)]
    yield "a chain of a thousand members", text(asked(*chain))
    star = [related(f"s{n}", *(f"s{m}" for m in range(60))) for n in range(60)]
    yield "everything a member of everything", text(asked(*star))
    loop = [{"resourceType": "Observation", "id": "c", "subject": {"reference": "#c"}}]
    yield (
        "a contained subject that is itself",
        text(asked(weight(contained=loop, subject={"reference": "#c"}))),
    )
    twin = patient(id="p")
    yield "a contained Patient", text(asked(weight(contained=[twin], subject={"reference": "#p"})))
    yield "a subject that is the Bundle", text(asked(weight(subject={"reference": "#"})))
    yield (
        "a Patient linked to itself",
        text(asked(link=[{"other": {"reference": "Patient/infant-1"}, "type": "seealso"}])),
    )
    reference = "../" * 10_000 + "Patient/infant-1"
    yield "a reference that goes up for ever", text(asked(weight(subject={"reference": reference})))


def _words() -> Iterator[tuple[str, bytes]]:
    yield "a script as the name", text(asked(name=[{"text": SCRIPT}]))
    yield "XHTML as the narrative", text(asked(text={"status": "generated", "div": XHTML}))
    entity = '<!DOCTYPE d [<!ENTITY e SYSTEM "file:///etc/passwd">]><div>&e;</div>'
    yield "an entity in the narrative", text(asked(text={"status": "generated", "div": entity}))
    yield "a script as the id", text(asked(id=SCRIPT))
    yield (
        "a script as the unit",
        text(asked(weight(valueQuantity={**quantity(32000, "kg"), "unit": SCRIPT}))),
    )
    yield "a script as the words of a code", text(asked(weight(code={"text": SCRIPT})))
    yield "SQL as the id", text(asked(id="x'; DROP TABLE entry; --"))
    yield "a template as the name", text(asked(name=[{"text": "{{7*7}}${7*7}%s%n"}]))
    yield (
        "a path as the subject",
        text(asked(weight(subject={"reference": "Patient/../../etc/passwd"}))),
    )
    yield (
        "a program as the extension",
        text(asked(extension=[{"url": "javascript:alert(1)", "valueBoolean": True}])),
    )


def _times() -> Iterator[tuple[str, bytes]]:
    for at in (
        "0001-01-01", "9999-12-31", "9999-12-31T23:59:60Z", "0000-00-00", "10000-01-01",
        "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "2026-05-01T09:30:00+99:99",
        "2026-05-01T24:00:00Z", "-2026-05-01T00:00:00Z", "2026-05-01T09:30:00." + "9" * 500 + "Z",
    ):  # fmt: skip
        yield f"weighed at {at[:40]}", text(asked(weight(3.2, effectiveDateTime=at)))
        yield f"born at {at[:40]}", text(asked(birthDate=at))
        yield f"asked at {at[:40]}", text(parameters(bundle(*infant()), as_of=at))


def _units() -> Iterator[tuple[str, bytes]]:
    for unit in (
        "kg.kg", "kg/kg", "kg2", "kg-1", "10*3.g", "10*999999999.g", "[lb_tr]", "mkg",
        "kg{of baby}", "{kg}",
        "(" * 500 + "kg" + ")" * 500, "/" * 1000 + "kg", "kg" * 1000, "",
        " kg", "kg\u200b", "%", "1", "Kg", "㎏",
    ):  # fmt: skip
        yield f"a unit of {unit[:30]!r}", text(asked(weight(3.2, unit)))
