"""DetectedIssues (what the health worker must know) and the Provenance of the answer."""

from collections.abc import Sequence

from cds_service.engine.model import Caution
from cds_service.fhir.codes import PROVENANCE_AGENT, URI
from cds_service.fhir.write_base import Json, Pen, references

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
    house = pen.house
    device = {"system": f"{house.base}/sid/device", "value": "cds-service"}
    protocol = {"system": URI, "value": house.canonical}
    content = {"system": f"{house.base}/sid/content-sha256", "value": house.protocol.digest}
    return {
        **pen.start("Provenance", "provenance"),
        "target": [{"reference": f"urn:uuid:{each['id']}"} for each in resources],
        "recorded": pen.as_of,
        "agent": [
            {
                "type": _AUTHOR,
                "who": {
                    "type": "Device",
                    "identifier": device,
                    "display": house.title("write.device"),
                },
            }
        ],
        "entity": [
            {
                "role": "source",
                "what": {
                    "type": "PlanDefinition",
                    "identifier": protocol,
                    "display": house.protocol.title,
                },
            },
            {
                "role": "source",
                "what": {"identifier": content, "display": house.title("write.content")},
            },
        ],
    }
