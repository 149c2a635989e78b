"""What the content says of courses that began before the visit."""

from dataclasses import dataclass

from cds_service.content.model import Cite, Condition, Number


@dataclass(frozen=True, slots=True)
class SeeToday:
    """So many missed doses of a medicine in a row, while `when` holds: the infant is seen today."""

    cite: Cite
    medicines: tuple[str, ...]
    missed: Number
    when: Condition | None


@dataclass(frozen=True, slots=True)
class Courses:
    """While `hold_when` holds, a course that runs waits for advice."""

    cite: Cite
    hold_when: Condition | None = None
    see_today: tuple[SeeToday, ...] = ()
