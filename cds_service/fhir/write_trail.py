"""DetectedIssues (what the health worker must know) and the Provenance of the answer."""

from collections.abc import Sequence

from cds_service.engine.assessment_model import Caution
from cds_service.engine.phrase import adapted
from cds_service.fhir.codes import PROVENANCE_AGENT, URI
from cds_service.fhir.write_base import Pen, entry, pointer, start
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json, references
from cds_service.fhir.write_template import Template, blank, elements, member, members, more

_AUTHOR = {"coding": [{"system": PROVENANCE_AGENT, "code": "author"}]}


def detected_issues(pen: Pen) -> tuple[bytes, bytes]:
    """One DetectedIssue for each caution, in their order; and references to them.

    The medicines are written before, so that a caution can point at those it is about.
    """
    seen: dict[str, int] = {}
    issues, pointers = [], []
    for caution in pen.decision.plan.cautions:
        seen[caution.code] = count = seen.get(caution.code, 0) + 1
        role = f"caution.{caution.code}.{count}"
        issues.append(_written(pen, caution, role))
        pointers.append(pen.pointer(role))
    return elements(issues), elements(pointers)


def _written(pen: Pen, caution: Caution, role: str) -> bytes:
    house, action = pen.house, caution.action
    return pen.fill(
        house.kept(
            ("issue", role, caution.code, caution.severity),
            lambda: Template.of(entry(_issue(house, caution, role))),
        ),
        words=house.words(caution.message),
        implicated=members("implicated", _about(pen, caution)),
        mitigation=b"" if action is None else _mitigation(house.words(action)),
    )


def _about(pen: Pen, caution: Caution) -> list[bytes]:
    about = references(caution.origins)
    if caution.medicine:
        for order in pen.decision.plan.orders:
            if order.dose.medicine.code == caution.medicine:
                about.append(pen.pointer(f"order.{order.key}"))
    return about


def _issue(house: House, caution: Caution, role: str) -> Json:
    return {
        **start("DetectedIssue", role),
        "status": "final",
        "code": {"coding": [house.own("caution", caution.code)], "text": blank("words")},
        "severity": caution.severity,
        more("patient"): None,
        "identifiedDateTime": blank("as_of"),
        "detail": blank("words"),
        more("implicated"): None,
        more("mitigation"): None,
    }


def _mitigation(words: bytes) -> bytes:
    return member("mitigation", b'[{"action":{"text":"%b"}}]' % words)


def provenance(house: House, roles: Sequence[str]) -> Json:
    """Who made all this and from which content: canonical address, version, digest."""
    return {
        **start("Provenance", "provenance"),
        "target": [*map(pointer, roles), more("targets")],
        "recorded": blank("as_of"),
        "agent": [{"type": _AUTHOR, "who": _device(house)}],
        "entity": [{"role": "source", "what": what} for what in _content(house)],
    }


def _device(house: House) -> Json:
    identifier = {"system": f"{house.base}/sid/device", "value": "cds-service"}
    return {"type": "Device", "identifier": identifier, "display": house.title("write.device")}


def _content(house: House) -> tuple[Json, Json]:
    protocol = {"system": URI, "value": house.canonical}
    digest = {"system": f"{house.base}/sid/content-sha256", "value": house.protocol.digest}
    title = " ".join((house.protocol.title, *map(house.text, adapted(house.protocol))))
    return (
        {"type": "PlanDefinition", "identifier": protocol, "display": title},
        {"identifier": digest, "display": house.title("write.content")},
    )
