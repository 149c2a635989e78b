"""What an answer of ours says of itself: for logs of before, which did not note it separately."""

from typing import Any, NamedTuple

import orjson


class Described(NamedTuple):
    """The infant as the caller names it, GuidanceResponse.status, codes of the classes."""

    patient: str
    outcome: str
    classes: tuple[str, ...]


def described(answer: bytes) -> Described:
    """What an answer Bundle says; "" and () where it is a referral note, which says less.

    >>> answer = b'{"resourceType":"GuidanceResponse","status":"success"}'
    >>> described(b'{"entry":[{"resource":%b}]}' % answer)
    Described(patient='', outcome='success', classes=())
    """
    resources = [entry["resource"] for entry in orjson.loads(answer).get("entry", ())]
    patient = outcome = ""
    classes = []
    for resource in resources:
        kind = resource["resourceType"]
        if kind == "GuidanceResponse":
            outcome = resource["status"]
            patient = resource.get("subject", {}).get("reference", "")
        elif kind == "Patient":
            patient = next((each["value"] for each in resource.get("identifier", ())), "")
        elif kind == "Condition":
            classes += _codes(resource)
    return Described(patient, outcome, tuple(classes))


def _codes(condition: dict[str, Any]) -> list[str]:
    coding = condition["code"]["coding"]
    return [
        each["code"] for each in coding if each["system"].endswith("/CodeSystem/classification")
    ]
