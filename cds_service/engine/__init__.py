"""The decision engine: pure functions from a Case and a Protocol to a Decision.

`decide` is the one entry: settle the facts, classify, plan. No I/O, no clock, no randomness.
"""

from cds_service.case import Case
from cds_service.content.treatment import Protocol
from cds_service.engine.assess import assess
from cds_service.engine.identity import decision_id
from cds_service.engine.model import Decision
from cds_service.engine.plan import make_plan
from cds_service.engine.settle import settle


def decide(case: Case, protocol: Protocol) -> Decision:
    """Decide everything about one infant at one moment with one protocol."""
    facts = settle(case, protocol)
    assessment = assess(facts)
    plan = make_plan(facts, assessment)
    return Decision(decision_id(case, protocol), case, protocol, assessment, plan)
