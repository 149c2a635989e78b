"""The run of the outside judges can fail, and nothing is written that R4 does not have."""

import pytest

from tests.judges.__main__ import faults, judged
from tests.judges.known import FALSE_ALARMS
from tests.judges.seeded import SEEDED

KNOWN = [list(key[1:]) for key in FALSE_ALARMS]
FOUND = {f"seeded/{name}": [[wanted["pyrofile"], ""]] for name, wanted in SEEDED.items()}
GOOD = {"good": KNOWN} | FOUND


def test_known_alarms_and_defects_found_are_no_fault() -> None:
    assert faults("pyrofile", GOOD, list(GOOD)) == []


def test_an_alarm_that_is_not_listed_is_a_fault() -> None:
    found = GOOD | {"good": [*KNOWN, ["element.unknown", "Patient.sunshine"]]}

    assert faults("pyrofile", found, list(found)) == [
        "pyrofile: good: element.unknown Patient.sunshine"
    ]


def test_a_listed_alarm_that_is_not_raised_is_a_fault() -> None:
    (told,) = faults("pyrofile", GOOD | {"good": KNOWN[1:]}, list(GOOD))

    assert "listed but not raised" in told


@pytest.mark.parametrize("defect", SEEDED)
def test_a_defect_that_is_not_found_is_a_fault(defect: str) -> None:
    name = f"seeded/{defect}"

    assert faults("pyrofile", GOOD | {name: KNOWN}, list(GOOD)) == [
        f"pyrofile: does not find {name}"
    ]


def test_a_resource_that_was_not_judged_is_a_fault() -> None:
    assert faults("pyrofile", GOOD, [*GOOD, "left out"])


def test_nothing_is_written_that_only_r4b_has() -> None:
    """subjectCanonical of PlanDefinition, its action and ActivityDefinition; two of Extension."""
    names = {"subjectCanonical", "valueCodeableReference", "valueRatioRange"}
    everything = judged()

    assert len(everything) > 150
    assert [name for name, each in everything.items() if names & _names(each)] == []
    assert _names({"extension": [{"valueRatioRange": {}}]}) & names


def _names(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(_names, value.values()))
    return set().union(*map(_names, value)) if isinstance(value, list) else set()
