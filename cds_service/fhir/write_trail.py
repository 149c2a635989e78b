"""DetectedIssues (what the health worker must know) and the Provenance of the answer."""

from collections.abc import Sequence

from cds_service.engine.model import Caution
from cds_service.fhir.codes import PROVENANCE_AGENT, URI
from cds_service.fhir.write_base import Pen
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, references

_AUTHOR = {"coding": [{"system": PROVENANCE_AGENT, "code": "author"}]}


def detected_issues(pen: Pen) -> list[Json]:
    """One DetectedIssue for each caution, in their order."""
    seen: dict[str, int] = {}
    issues = []
    for caution in pen.decision.plan.cautions:
        seen[caution.code] = count = seen.get(caution.code, 0) + 1
        issues.append(_issue(pen, caution, f"caution.{caution.code}.{count}"))
    return issues


def _issue(pen: Pen, caution: Caution, role: str) -> Json:
    words = pen.house.text(caution.message)
    resource = {
        **pen.start("DetectedIssue", role),
        "status": "final",
        "code": {"coding": [pen.house.own("caution", caution.code)], "text": words},
        "severity": caution.severity,
        "patient": pen.who["subject"],
        "identifiedDateTime": pen.as_of,
        "detail": words,
    }
    if implicated := references((each for each in caution.origins if each.reference), ""):
        resource["implicated"] = implicated
    if caution.action is not None:
        resource["mitigation"] = [{"action": {"text": pen.house.text(caution.action)}}]
    return resource


def provenance(pen: Pen, resources: Sequence[Json]) -> Json:
    """Who made all this and from which content: canonical address, version, digest."""
    return {
        **pen.start("Provenance", "provenance"),
        "target": [{"reference": f"urn:uuid:{each['id']}"} for each in resources],
        "recorded": pen.as_of,
        "agent": [{"type": _AUTHOR, "who": _device(pen.house)}],
        "entity": [{"role": "source", "what": what} for what in _content(pen.house)],
    }


def _device(house: House) -> Json:
    identifier = {"system": f"{house.base}/sid/device", "value": "cds-service"}
    return {"type": "Device", "identifier": identifier, "display": house.title("write.device")}


def _content(house: House) -> tuple[Json, Json]:
    protocol = {"system": URI, "value": house.canonical}
    digest = {"system": f"{house.base}/sid/content-sha256", "value": house.protocol.digest}
    return (
        {"type": "PlanDefinition", "identifier": protocol, "display": house.protocol.title},
        {"identifier": digest, "display": house.title("write.content")},
    )
