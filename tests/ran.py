"""Which tests passed in this run, and whether every test that a hazard counts on is among them."""

from collections.abc import Iterable

from cds_service.content.hazards import Hazard


def faults(hazards: Iterable[Hazard], collected: set[str], passed: set[str]) -> list[str]:
    """One line for each test of a control that was not collected, or that did not pass.

    A test is named by its node id, without the parameters: all of them must have passed.
    """
    by_name: dict[str, set[str]] = {}
    for node in collected:
        by_name.setdefault(node.partition("[")[0], set()).add(node)
    return [
        f"{hazard.id}: {test} " + ("did not pass" if test in by_name else "was not run")
        for hazard in hazards
        for control in hazard.controls
        for test in control.tests
        if not by_name.get(test) or not by_name[test] <= passed
    ]
