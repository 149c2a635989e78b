"""The doses of one order, one after the other, as they fall on the days of the course."""

from datetime import date, datetime, timedelta
from itertools import groupby

from cds_service.engine.model import Order


def dose_times(order: Order) -> tuple[datetime, ...]:
    """When each dose that is still to give is due, the first one first.

    From the first dose on in the interval that the content has for the medicine.
    """
    apart = timedelta(hours=float(order.dose.medicine.interval.quantity.to("h").value))
    return tuple(order.first_due + apart * count for count in range(order.doses))


def by_day(times: tuple[datetime, ...]) -> tuple[tuple[date, tuple[datetime, ...]], ...]:
    """The same, by the day on which they fall."""
    days = groupby(times, key=datetime.date)
    return tuple((day, tuple(together)) for day, together in days)
