"""The report of many: added up from parts, the worst first, bounded."""

import random

from cds_service.fhir.changes import Change, Kind
from cds_service.service import impact
from cds_service.service.impact import WORST, Impact
from cds_service.service.replaying import Outcome, Verdict


def changed(index: int, kind: Kind, less: float = 0, what: str = "", move: str = "") -> Outcome:
    words = f"{what or kind.name} of {index}"
    return Outcome(index, Verdict.CHANGED, (Change(kind, less, words, what),), move)


def told(outcomes: list[Outcome]) -> list[str]:
    whole = Impact()
    for outcome in outcomes:
        whole.add(outcome)
    return list(whole.lines())


def test_an_empty_log_has_a_report() -> None:
    assert told([]) == ["replayed: 0"]


def test_only_what_was_asked_again_counts_as_replayed() -> None:
    lines = told([Outcome(at, verdict) for at, verdict in enumerate(Verdict)])
    assert lines[0] == "replayed: 3"
    assert [line.strip() for line in lines[1:7]] == [
        f"{verdict.value}: 1{' (33.3%)' * (verdict is Verdict.CHANGED)}" for verdict in Verdict
    ]


def test_reasons_are_told_with_the_first_entry() -> None:
    lines = told([Outcome(at, Verdict.CANNOT, why="it was altered") for at in (9, 4, 6)])
    assert "    it was altered: 3, the first is entry 4" in lines


def test_the_worst_entries_come_first_whatever_their_place() -> None:
    outcomes = [
        changed(0, Kind.TOLD),
        changed(1, Kind.DOSE_HIGHER, -1.5, "Gentamicin"),
        changed(2, Kind.REFERRAL_LOST),
        changed(3, Kind.DOSE_HIGHER, -10.0, "Gentamicin"),
        changed(4, Kind.DOSE_LOWER, 0.5, "Amoxicillin", "A -> B"),
        changed(5, Kind.DOSE_LOWER, 0.25, "Amoxicillin", "A -> B"),
    ]
    lines = told(outcomes)
    entries = [line for line in lines if line.startswith("  entry ")]
    assert [line.split(":")[0].strip() for line in entries] == [
        "entry 2", "entry 3", "entry 1", "entry 5", "entry 4", "entry 0",
    ]  # fmt: skip
    assert (
        "  2: Gentamicin: a higher dose, or a longer course, at most 10.00 times the old" in lines
    )
    assert "  2: Amoxicillin: a lower dose, or a shorter course, at least 0.25 of the old" in lines
    assert "  2: A -> B" in lines


def test_parts_add_up_to_the_whole_in_any_order() -> None:
    dice = random.Random(2026)
    kinds = list(Kind)
    outcomes = [
        changed(at, dice.choice(kinds), -dice.random(), dice.choice("abc"), dice.choice("xyz"))
        for at in range(200)
    ]
    outcomes += [Outcome(at, Verdict.CANNOT, why=dice.choice("pq")) for at in range(200, 240)]
    whole = told(outcomes)
    for _ in range(5):
        parts = [Impact() for _ in range(4)]
        for outcome in outcomes:
            dice.choice(parts).add(outcome)
        dice.shuffle(parts)
        total = Impact()
        for part in parts:
            total.merge(part)
        assert list(total.lines()) == whole


def test_nothing_grows_with_the_log() -> None:
    whole = Impact()
    for at in range(5_000):
        whole.add(changed(at, Kind.DOSE_LOWER, 0.5, f"medicine {at}", f"move {at}"))
        whole.add(Outcome(at, Verdict.CANNOT, why=f"reason {at}"))
    assert len(whole._worst) == WORST
    most = impact._NAMES + 1
    kept = (whole._moves, whole._medicines, whole._farthest, whole._reasons, whole._first)
    assert all(len(each) <= most for each in kept)
    assert sum(whole._moves.values()) == sum(whole._reasons.values()) == 5_000
    assert f"  {5_000 - impact._NAMES:,}: others" in list(whole.lines())
