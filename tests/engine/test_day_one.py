"""The weight of the first day of a course holds to its end, where it can be believed.

Clinical content, section 3: rule, age and weight of treatment day 1 hold for the whole course;
section 5: a weight within the gain of a newborn (20 %) of the one now.
"""

from datetime import timedelta
from decimal import Decimal

import pytest

from cds_service.engine.model import Dose
from cds_service.engine.ordered import dose_of_day_one
from tests.engine.test_edges import AT, PROTOCOL, facts, measured

THEN = AT - timedelta(days=2)


def weight_that_counts(now: str, *then: str) -> Decimal:
    weights = [measured("weight", each, "kg", THEN) for each in then]
    known = facts(*weights, measured("weight", now, "kg"))
    medicine = PROTOCOL.medicine_by_code["ampicillin"]
    dose = dose_of_day_one(medicine, THEN.date(), known, Decimal(now))
    assert isinstance(dose, Dose)
    assert dose.weight is not None
    return dose.weight.value


@pytest.mark.parametrize(
    ("now", "believed"), [("3.60", True), ("3.61", False), ("2.40", True), ("2.39", False)]
)
def test_a_first_weight_is_believed_to_a_fifth_above_and_below(now: str, believed: bool) -> None:
    assert weight_that_counts(now, "3.00") == Decimal("3.00" if believed else now)


def test_of_two_first_weights_that_differ_neither_counts() -> None:
    assert weight_that_counts("3.2", "3.0", "3.1") == Decimal("3.2")
    assert weight_that_counts("3.2", "3.0", "3.0") == Decimal("3.0")
