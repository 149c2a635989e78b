"""One limit in several units: the figures name the same amount, as finely as each is written."""

from decimal import Decimal

from cds_service.content.desk import Desk
from cds_service.content.model import MeasureTest, Number
from cds_service.content.treatment import Protocol


def limits(protocol: Protocol, desk: Desk) -> None:
    """Report a limit that is another amount than the same limit in the measure's own unit."""
    for test in desk.every(MeasureTest):
        measure = protocol.measure_by_code.get(test.measure)
        if measure is None:
            continue
        for other in test.others:
            exact = measure.turned(test.limit.quantity, other.unit)
            if abs(exact.value - other.value) > _half_a_step(other):
                desk.report_at(test, f"{test.limit.quantity} are {exact}, not {other.quantity}")


def _half_a_step(number: Number) -> Decimal:
    """Half of the last figure that is written: 0.5 of 45, 0.05 of 45.0."""
    return Decimal((0, (5,), int(number.value.as_tuple().exponent) - 1))
