"""Whom a mutant of the code decides about otherwise: the infants of the cases, and random ones.

The decisions of the unchanged code are kept. A case whose decision a mutant leaves as it was
cannot kill it, and need not be run. A survivor that some random infant shows to differ is a hole in
the tests; one that none shows may be equivalent.
"""

from collections.abc import Iterator

from hypothesis import Phase, given, settings

from cds_service.case import Case
from cds_service.content.load import load
from cds_service.content.treatment import Protocol
from cds_service.engine import decide
from cds_service.engine.model import Decision
from tests.engine.cases import every_case
from tests.engine.infants import infants
from tests.engine.test_said_in_doubt import DOUBTED
from tests.proofs.as_case import as_case
from tests.proofs.content import content
from tests.proofs.sample import samples


class Witnesses:
    """Infants by name, each with what the unchanged code decides."""

    def __init__(self, protocol: Protocol, infants: dict[str, Case]) -> None:
        self.protocol = protocol
        self.decided = {name: decide(case, protocol) for name, case in infants.items()}
        protocol.memo.clear()
        protocol.made.clear()

    def differ(self) -> Iterator[str]:
        """Names of those about whom the code as it is now decides otherwise."""
        for name, before in self.decided.items():
            if not _same(before, self.protocol):
                yield name


def of_cases() -> Witnesses:
    """The infants of the cases that a clinician can read."""
    return Witnesses(load(), {told.name: told.case for told in every_case()})


def of_doubts() -> Witnesses:
    """The same with something taken away or made doubtful."""
    return Witnesses(load(), DOUBTED)


def at_random(count: int) -> Witnesses:
    """Random infants, the same ones each time: in any state, and at the limits of the tables."""
    protocol, drawn = load(), list[Case]()

    @settings(
        max_examples=count, deadline=None, derandomize=True, database=None, phases=[Phase.generate]
    )
    @given(infants())
    def draw(case: Case) -> None:
        drawn.append(case)

    draw()
    drawn += (as_case(world, protocol) for world in samples(content(), count // 2))
    return Witnesses(protocol, {str(number): case for number, case in enumerate(drawn)})


def _same(before: Decision, protocol: Protocol) -> bool:
    try:
        return decide(before.case, protocol) == before
    except Exception:  # noqa: BLE001  (whatever a mutant raises is another answer)
        return False
