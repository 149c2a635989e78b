"""The run of the outside judges can fail, and nothing is written that R4 does not have."""

import pytest

from tests.judges.__main__ import JUDGES, PRECISE, faults, judged, lines
from tests.judges.answers import EDITIONS, answers
from tests.judges.known import FALSE_ALARMS
from tests.judges.seeded import SEEDED

Found = dict[str, list[list[str]]]
WANTED = [(judge, name) for name, wanted in SEEDED.items() for judge in wanted]


def known(judge: str) -> list[list[str]]:
    return [[code, path] for by, code, path in FALSE_ALARMS if by == judge]


def good(judge: str) -> Found:
    """What a judge says when all is as it should be."""
    seeds = {f"seeded/{name}": [[wanted.get(judge, ""), ""]] for name, wanted in SEEDED.items()}
    return {"good": known(judge)} | seeds


@pytest.mark.parametrize("judge", JUDGES)
def test_known_alarms_and_defects_found_are_no_fault(judge: str) -> None:
    assert faults(judge, good(judge), list(good(judge))) == []


@pytest.mark.parametrize("judge", JUDGES)
def test_an_alarm_that_is_not_listed_is_a_fault(judge: str) -> None:
    found = good(judge) | {"good": [*known(judge), ["element.unknown", "Patient.sunshine"]]}

    assert faults(judge, found, list(found)) == [f"{judge}: good: element.unknown Patient.sunshine"]


@pytest.mark.parametrize("judge", ["pyrofile", "invariants"])
def test_a_listed_alarm_that_is_not_raised_is_a_fault(judge: str) -> None:
    found = good(judge)
    (told,) = faults(judge, found | {"good": known(judge)[1:]}, list(found))

    assert "listed but not raised" in told


@pytest.mark.parametrize(("judge", "defect"), WANTED)
def test_a_defect_that_is_not_found_is_a_fault(judge: str, defect: str) -> None:
    name, found = f"seeded/{defect}", good(judge)

    assert faults(judge, found | {name: known(judge)}, list(found)) == [
        f"{judge}: does not find {name}"
    ]


def test_every_judge_has_a_defect_that_it_must_find() -> None:
    assert {judge for judge, _ in WANTED} == set(JUDGES)


def test_a_resource_that_was_not_judged_is_a_fault() -> None:
    assert faults("pyrofile", good("pyrofile"), [*good("pyrofile"), "left out"])


def test_some_answers_of_every_edition_are_judged_and_some_suggestions() -> None:
    names = list(answers(10))

    for edition in EDITIONS:
        assert any(name.startswith(f"cases/{edition or 'base'}/") for name in names)
    assert sum(name.endswith("/response.json") for name in names) > 50
    assert sum("/suggested/" in name for name in names) > 20


def test_three_point_one_zero_stays_so_when_it_is_read_and_written() -> None:
    """That fhirkit-rs writes it likewise is seen when the judges run."""
    precise = {"sent/3.10": judged(1000)["sent/3.10"]}

    assert lines(precise) == f"sent/3.10\t{PRECISE}\n"


def test_nothing_is_written_that_only_r4b_has() -> None:
    """subjectCanonical of PlanDefinition, its action and ActivityDefinition; two of Extension."""
    names = {"subjectCanonical", "valueCodeableReference", "valueRatioRange"}
    everything = judged(1)

    assert len(everything) > 1000
    assert [name for name, each in everything.items() if names & _names(each)] == []
    assert _names({"extension": [{"valueRatioRange": {}}]}) & names


def _names(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*map(_names, value.values()))
    return set().union(*map(_names, value)) if isinstance(value, list) else set()
