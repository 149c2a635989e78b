"""What holds of every answer: any well-formed Decision, and every case of the case files."""

from decimal import Decimal
from uuid import UUID, uuid5

import pytest
from hypothesis import HealthCheck, given, settings

from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.fhir.artefacts import artefacts
from cds_service.fhir.write import write
from tests.changing import replace
from tests.engine.cases import Told, every_case
from tests.fhir.decisions import BASE, protocol
from tests.fhir.judge import actions, judged, nodes, own_references, resources
from tests.fhir.strategies import Drawn, decisions

CASES = list(every_case())
KNOWN = {
    each["url"]: {concept["code"] for concept in each["concept"]}
    for (kind, _), each in artefacts(protocol(), BASE).items()
    if kind == "CodeSystem"
}
_SLOW = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def check(made: Decision) -> None:
    """Judge one answer."""
    body = write(made, base=BASE, language="")
    bundle = judged(body)
    urls = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    assert own_references(bundle) <= set(urls)
    check_doses(made, urls)
    (group,) = resources(bundle, "RequestGroup")
    shown = [
        each["resource"]["reference"]
        for each in actions(group.get("action", []))
        if "resource" in each
    ]
    wanted = [
        url
        for url, resource in urls.items()
        if resource["resourceType"]
        in {"MedicationRequest", "ServiceRequest", "CommunicationRequest"}
    ]
    assert sorted(shown) == sorted(wanted)
    assert body == write(made, base=BASE, language="")
    fresh = replace(made, protocol=replace(made.protocol))  # another object: nothing is kept for it
    assert body == write(fresh, base=BASE, language="")
    check_own_codes(bundle)
    check_sources(group)


def check_sources(group: dict) -> None:
    """No action names a source twice."""
    for action in actions(group.get("action", [])):
        labels = [each.get("label") for each in action.get("documentation", [])]
        named = [label for label in labels if label]
        assert len(named) == len(set(named))


def check_own_codes(bundle: dict) -> None:
    """Every code of our own systems is one that we publish."""
    for path, value in nodes(bundle):
        if isinstance(value, dict) and value.get("system") in KNOWN:
            assert value["code"] in KNOWN[value["system"]], f"{path}: {value}"


def check_doses(made: Decision, urls: dict) -> None:
    """The dose that is written is the dose that was decided, digit by digit."""
    for order in made.plan.orders:
        name = uuid5(UUID(made.id), f"order.{order.key}")
        told = urls[f"urn:uuid:{name}"]["dosageInstruction"][0]["doseAndRate"]
        ordered, calculated = (Decimal(each["doseQuantity"]["value"]) for each in told)
        assert (ordered, calculated) == (order.dose.amount.value, order.dose.contained.value)


@_SLOW
@given(decisions())
def test_any_decision_is_written_as_valid_r4_with_every_request_in_one_action(
    drawn: Drawn,
) -> None:
    check(drawn.decision)


@pytest.mark.parametrize("told", CASES, ids=[told.name for told in CASES])
def test_the_answer_to_a_case_is_valid_r4(told: Told) -> None:
    check(decide(told.case, protocol()))
