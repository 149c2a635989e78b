"""Which tests passed in this run, and whether every test that a hazard counts on is among them."""

from collections.abc import Iterable

from cds_service.content.hazards import Hazard


def faults(hazards: Iterable[Hazard], collected: set[str], passed: set[str]) -> list[str]:
    """One line for each test of a control that was not collected, or that did not pass.

    A test is named by its node id, without the parameters or with the beginning of them
    ("...[17-jaundice:"): all that are meant must have passed.
    """
    by_name: dict[str, set[str]] = {}
    for node in collected:
        by_name.setdefault(node.partition("[")[0], set()).add(node)
    found: list[str] = []
    for hazard in hazards:
        for test in (test for control in hazard.controls for test in control.tests):
            meant = {
                node for node in by_name.get(test.partition("[")[0], ()) if node.startswith(test)
            }
            if not meant <= passed:
                found.append(f"{hazard.id}: {test} did not pass")
            elif not meant:
                found.append(f"{hazard.id}: {test} was not run")
    return found
