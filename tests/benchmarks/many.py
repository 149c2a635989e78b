"""Requests of invented infants, as many as wanted and all different, quickly made and small.

Each is a bare Bundle of some 5 kB with the signs that are asked first, weight, temperature and
breaths. The numbers follow from the number of the infant; nothing in them is clinical truth.
"""

from collections.abc import Iterator
from datetime import date, timedelta

import orjson

from tests.web.sample import AT, BASE, NO, YES

_MORE = ("referral-possible", "jaundice", "diarrhoea", "mother-hiv-positive", "not-breastfed")
_SIGNS = (*NO, *YES, *_MORE)
_SUBJECT = {"reference": "Patient/invented-NUMBER"}
_DAY = date.fromisoformat(AT[:10])


def lines(count: int, first: int = 0) -> Iterator[bytes]:
    """So many requests, each a line with its end."""
    return (line(number) for number in range(first, first + count))


def line(number: int) -> bytes:
    """The request of one infant, a line with its end; the same for the same number.

    >>> line(7) == line(7), line(7) == line(8), line(7).count(b"\\n")
    (True, False, 1)
    """
    days = number % 59
    seed = number * 2_654_435_761 % 2**32  # Knuth's multiplicative hash: neighbours differ
    yes = seed >> 8 & seed >> 13 & seed >> 20  # one sign in eight, then what was not asked
    asked = ~(seed & seed >> 5 & seed >> 17 & seed >> 21)
    patient = _PATIENT % (_BORN[days], b"female" if seed & 1 else b"male")
    signs = [_SIGN[index][yes >> index & 1] for index in range(len(_SIGNS)) if asked >> index & 1]
    grams = 2000 + days * 30 + seed % 1500
    kg = b"%d.%03d" % divmod(grams, 1000)
    tenths = 350 + (seed >> 12) % 45
    degrees = b"%d.%d" % divmod(tenths, 10)
    measured = (_WEIGHT % kg, _HEAT % degrees, _BREATHS % (32 + (seed >> 4) % 40))
    whole = _BUNDLE % b",".join((patient, _VISIT, *signs, *measured))
    return whole.replace(b"NUMBER", b"%d" % number)


def _entry(resource: dict[str, object]) -> bytes:
    return orjson.dumps({"resource": resource})


def _observed(system: str, code: str, value: dict[str, object]) -> bytes:
    return _entry(
        {
            "resourceType": "Observation",
            "status": "final",
            "code": {"coding": [{"system": system, "code": code}]},
            "effectiveDateTime": AT,
            "subject": _SUBJECT,
            **value,
        }
    )


def _measured(loinc: str, unit: str, form: bytes) -> bytes:
    quantity = {"value": 7, "system": "http://unitsofmeasure.org", "code": unit}
    made = _observed("http://loinc.org", loinc, {"valueQuantity": quantity})
    return made.replace(b"%", b"%%").replace(b'"value":7', b'"value":' + form)


_BORN = [(_DAY - timedelta(days)).isoformat().encode() for days in range(60)]
_PATIENT = (
    b'{"resource":{"resourceType":"Patient","id":"invented-NUMBER","birthDate":"%b","gender":"%b"}}'
)
_VISIT = _entry(
    {
        "resourceType": "Encounter",
        "status": "in-progress",
        "class": {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
            "code": "AMB",
        },
        "period": {"start": AT},
        "subject": _SUBJECT,
    }
)
_SIGN = [
    [
        _observed(f"{BASE}/CodeSystem/finding", code, {"valueBoolean": said})
        for said in (False, True)
    ]
    for code in _SIGNS
]
_WEIGHT = _measured("29463-7", "kg", b"%b")
_HEAT = _measured("8310-5", "Cel", b"%b")
_BREATHS = _measured("9279-1", "/min", b"%d")
_BUNDLE = b'{"resourceType":"Bundle","type":"collection","entry":[%b]}\n'
