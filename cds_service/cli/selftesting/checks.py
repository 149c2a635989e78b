"""What a check is, how all are run, and how the outcome reads."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from cds_service.cli.selftesting.deployment import Deployment, Skipped, Unreachable, Wrong

Run = Callable[[Deployment], None]
"""Makes one check; raises Wrong or Skipped."""
PASSED, FAILED, SKIPPED = "passed", "FAILED", "skipped"
NO_ENTRIES = "writes a test entry into the log: needs --yes"
"""Why a check that writes is not made unasked."""


class Check(NamedTuple):
    """One statement about a deployment."""

    says: str
    run: Run
    writes: bool


class Outcome(NamedTuple):
    """What became of one check; `why` is empty when it passed."""

    group: str
    says: str
    state: str
    why: str


@dataclass(frozen=True)
class Group:
    """Checks about one thing; `writes`: each of them leaves entries in the log."""

    name: str
    writes: bool = False
    checks: list[Check] = field(default_factory=list)

    def check(self, says: str) -> Callable[[Run], Run]:
        """Declare the decorated function as a check."""

        def declare(run: Run) -> Run:
            self.checks.append(Check(says, run, self.writes))
            return run

        return declare


def run_all(at: Deployment, groups: Iterable[Group], *, writing: bool) -> Iterator[Outcome]:
    """Make every check, in order; one that fails stops none of the others."""
    for group in groups:
        for check in group.checks:
            state, why = _made(at, check, writing=writing)
            yield Outcome(group.name, check.says, state, why)


def _made(at: Deployment, check: Check, *, writing: bool) -> tuple[str, str]:
    if check.writes and not writing:
        return SKIPPED, NO_ENTRIES
    try:
        check.run(at)
    except Skipped as reason:
        return SKIPPED, str(reason)
    except (Wrong, Unreachable) as fault:
        return FAILED, str(fault)
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        # The answer has not the shape that the check reads.
        return FAILED, f"the answer has another shape ({type(error).__name__}: {error})"
    return PASSED, ""


def report(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """The lines of the report, each as soon as it is known; the last one counts."""
    group, counts = "", dict.fromkeys((PASSED, FAILED, SKIPPED), 0)
    for outcome in outcomes:
        if outcome.group != group:
            group = outcome.group
            yield f"\n{group}"
        counts[outcome.state] += 1
        why = f" - {outcome.why}" if outcome.why else ""
        yield f"  {outcome.state:<8}{outcome.says}{why}"
    yield "\n" + ", ".join(f"{count} {state}" for state, count in counts.items())
