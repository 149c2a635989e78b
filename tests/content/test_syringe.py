"""At which volumes the scale of a syringe has a mark (the sizes: common practice, no source)."""

from decimal import Decimal

import pytest

from cds_service.content.load import load


@pytest.mark.parametrize(
    ("volume", "marked"),
    [("0.05", True), ("0.15", True), ("1", True), ("1.00", True), ("0.13", False), ("1.05", False)],
)
def test_a_syringe_of_one_ml_is_marked_at_each_twentieth(volume: str, marked: bool) -> None:
    smallest = load().syringes[0]
    assert smallest.holds.value == 1
    assert smallest.has_mark(Decimal(volume)) is marked
