"""A blood glucose in mmol/L that is most likely one in mg/dL is never taken for "not low".

Meters show numbers from 10 or 20 mg/dL up, 0.6 or 1.1 mmol/L (two manuals, read online); below
45 mg/dL is low (clinical content, section 3). So 20 to 45 typed under mmol/L are low blood sugar.
"""

import pytest

from cds_service.content.text import render
from cds_service.engine import decide
from cds_service.engine.model import Decision
from cds_service.errors import UnusableRequest
from tests.fhir.sending import (
    Json,
    asked,
    finding,
    measured,
    protocol,
    refused,
    request,
    value,
    weight,
)


def glucose(number: float, unit: str, name: str = "g") -> Json:
    return measured(name, "2339-0", number, unit)


@pytest.mark.parametrize("number", [20, 25, 40, 44, 60])
def test_a_number_of_milligrams_under_millimoles_is_not_used(number: float) -> None:
    assert refused(glucose(number, "mmol/L")) == ["wrong-unit"]


@pytest.mark.parametrize(
    ("number", "unit"), [(19.9, "mmol/L"), (2.4, "mmol/L"), (360, "mg/dL"), (20, "mg/dL")]
)
def test_what_a_meter_may_show_is_used(number: float, unit: str) -> None:
    assert value(glucose(number, unit)).quantity.unit == unit


def test_what_is_no_blood_glucose_at_all_is_said_to_be_impossible() -> None:
    assert refused(glucose(60.1, "mmol/L")) == ["impossible"]


def decided(*resources: Json) -> Decision:
    return decide(request(asked(weight(), *resources)).case, protocol())


def said(decision: Decision, code: str) -> list[str]:
    cautions = [each for each in decision.plan.cautions if each.code == code]
    assert all(each.severity == "high" for each in cautions)
    return [str(render(protocol(), each.message)) for each in cautions]


def test_the_likely_slip_and_what_to_do_are_said() -> None:
    (told,) = said(decided(glucose(40, "mmol/L")), "not-used")
    assert "counts as not assessed" in told
    assert "From 20 mmol/L up it is most likely a number in mg/dL" in told
    assert "which may be low" in told
    assert "measure again now" in told
    assert "40" not in told  # no value that was sent is repeated


def test_while_the_baby_convulses_the_sugar_is_to_be_tested_as_if_it_were_not_known() -> None:
    fit = finding("convulsing-now", valueBoolean=True)
    first = [item.key for item in decided(fit, glucose(40, "mmol/L")).plan.emergency]
    assert "emergency.glucose-while-convulsing" in first
    known = [item.key for item in decided(fit, glucose(4, "mmol/L")).plan.emergency]
    assert "emergency.glucose-while-convulsing" not in known


def test_a_low_value_beside_it_acts() -> None:
    low = glucose(2.2, "mmol/L", "again")
    first = [item.key for item in decided(glucose(40, "mmol/L"), low).plan.emergency]
    assert first == ["emergency.treat-low-sugar"]


def test_strict_handling_refuses_the_request_as_for_any_value_that_is_not_used() -> None:
    with pytest.raises(UnusableRequest) as caught:
        request(asked(glucose(40, "mmol/L")), strict=True)
    (problem,) = caught.value.problems
    assert "measure again now" in f"{problem.what} {problem.remedy}"
