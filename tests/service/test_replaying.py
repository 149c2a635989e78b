"""One entry asked again: what comes of it, whatever stands in the log."""

from datetime import UTC, datetime, timedelta

import pytest

from cds_service.audit.export import Piece
from cds_service.audit.leaf import Payload, leaf_of, payload_of
from cds_service.audit.record import ERASURE, Entry, digest
from cds_service.content.library import Library
from cds_service.fhir.changes import Kind
from cds_service.service import Service, replaying
from cds_service.service.replaying import Outcome, Replayer, Verdict
from tests import examples
from tests.changing import replace

BASE = examples.BASE
NOW = datetime(2026, 5, 1, 9, 40, tzinfo=UTC)
OLD, NEW = "sick-young-infant|2014.1", "sick-young-infant|2024.1"


@pytest.fixture(scope="module")
def library() -> Library:
    return Library()


def recorded(library: Library, story: str = "06-infection-unlikely", name: str = NEW) -> Entry:
    service = Service(library.named(name), None, base=BASE, code_version="test")  # type: ignore[arg-type]
    service.clock = lambda: NOW
    return service.entry(examples.sent(story))[0]


def piece(entry: Entry, index: int = 7) -> Piece:
    payload = payload_of(entry)
    return Piece(index, leaf_of(entry, payload), payload)


def answered(entry: Entry, response: bytes) -> Entry:
    return replace(entry, response=response, response_sha256=digest(response))


@pytest.fixture
def replayer(library: Library) -> Replayer:
    return Replayer(library, base=BASE)


def test_the_same_bytes_are_equal(replayer: Replayer, library: Library) -> None:
    for name in (OLD, NEW):
        found = replayer.outcome(piece(recorded(library, name=name)))
        assert found == Outcome(7, Verdict.EQUAL)


def test_another_spelling_is_told_as_that(replayer: Replayer, library: Library) -> None:
    entry = recorded(library)
    found = replayer.replayed(0, answered(entry, entry.response.replace(b":", b": ", 1)))
    assert (found.verdict, found.why) == (Verdict.SAME_CARE, "differs in spelling only")


def test_what_is_no_care_is_told_by_its_place_alone(replayer: Replayer, library: Library) -> None:
    entry = recorded(library)
    other = entry.response.replace(b"decision support", b"decision engine", 1)
    found = replayer.replayed(0, answered(entry, other))
    assert found.verdict is Verdict.SAME_CARE
    assert found.why == "differs at entry[0].resource.performer.display"


def test_another_dose_is_told_in_words(replayer: Replayer, library: Library) -> None:
    entry = recorded(library, "01-fever-refer-or-treat")
    other = entry.response.replace(b'"value":25,"unit":"mg"', b'"value":52,"unit":"mg"', 1)
    assert other != entry.response
    found = replayer.replayed(3, answered(entry, other))
    assert (found.verdict, found.worst) == (Verdict.CHANGED, Kind.DOSE_LOWER)
    assert "2.5 mL = 52 mg once -> " in found.changes[0].words


def test_a_request_that_is_refused_today_is_the_worst_change(
    replayer: Replayer, library: Library
) -> None:
    entry = recorded(library)
    found = replayer.replayed(0, replace(entry, request=b"{}", request_sha256=digest(b"{}")))
    assert (found.verdict, found.worst) == (Verdict.CHANGED, Kind.REFUSED)


@pytest.mark.parametrize("response", [b"", b"{", b'{"entry":0}'])
def test_an_answer_of_others_cannot_be_compared(
    replayer: Replayer, library: Library, response: bytes
) -> None:
    found = replayer.replayed(0, answered(recorded(library), response))
    assert found.verdict is Verdict.CANNOT


def test_a_content_that_has_changed_since_cannot_be_asked(
    replayer: Replayer, library: Library
) -> None:
    found = replayer.replayed(0, replace(recorded(library), content_digest="0" * 64))
    assert found.verdict is Verdict.CANNOT
    assert "has changed since" in found.why


def test_against_another_content_only_care_counts(library: Library) -> None:
    against = Replayer(library, base=BASE, against=library.named(OLD))
    found = against.outcome(piece(recorded(library)))
    assert found == Outcome(7, Verdict.SAME_CARE)
    found = against.outcome(piece(recorded(library, "01-fever-refer-or-treat")))
    assert found.move == "Clinical severe infection -> Very severe disease"
    # The content of then is not needed.
    lost = replace(recorded(library), content_digest="0" * 64)
    assert against.outcome(piece(lost)).verdict is Verdict.SAME_CARE


def test_a_language_that_the_other_content_lacks_is_english(library: Library) -> None:
    against = Replayer(library, base=BASE, against=library.named(NEW))
    entry = replace(recorded(library), language="xx")
    assert against.outcome(piece(entry)).verdict in (Verdict.EQUAL, Verdict.SAME_CARE)


def test_what_is_no_recommendation_or_erased_is_counted(
    replayer: Replayer, library: Library
) -> None:
    whole = piece(recorded(library))
    assert replayer.outcome(replace(whole, payload=None)) == Outcome(7, Verdict.ERASED)
    erasure = replace(recorded(library), kind=ERASURE, about=3)
    assert replayer.outcome(piece(erasure)) == Outcome(7, Verdict.OTHER)


def test_an_altered_entry_is_not_replayed(replayer: Replayer, library: Library) -> None:
    whole = piece(recorded(library))
    assert whole.payload is not None
    parts = whole.payload
    for payload in (
        Payload(bytes(32), parts.request, parts.response, parts.rest),
        Payload(parts.salt, b"{}", parts.response, parts.rest),
        Payload(parts.salt, parts.request, b"{}", parts.rest),
        Payload(parts.salt, parts.request, parts.response, parts.rest + b" "),
        Payload(parts.salt, parts.request, parts.response, b"[]"),
        Payload(parts.salt, parts.request, parts.response, b""),
    ):
        found = replayer.outcome(replace(whole, payload=payload))
        assert found.verdict is Verdict.CANNOT
        assert "it was altered" in found.why
    assert replayer.outcome(replace(whole, leaf=b"{}")).verdict is Verdict.CANNOT


def test_a_request_sent_again_is_decided_once(
    replayer: Replayer, library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Entry] = []

    def counted(entry: Entry, *_: object, **__: object) -> bytes:
        asked.append(entry)
        return entry.response

    monkeypatch.setattr(replaying, "replay", counted)
    entry = recorded(library)
    later = replace(entry, recorded=entry.recorded + timedelta(hours=1))
    for index, each in enumerate((entry, later, entry)):
        assert replayer.replayed(index, each) == Outcome(index, Verdict.EQUAL)
    assert len(asked) == 1
    # Without a time of its own the answer depends on when the request came.
    for each in (entry, later):
        replayer.replayed(0, replace(each, as_of=each.recorded))
    assert len(asked) == 3
    for other in (
        replace(entry, strict=True),
        replace(entry, language="sw"),
        replace(entry, protocol=OLD),
        replace(entry, content_digest="0" * 64),
        answered(entry, b"{}"),
    ):
        replayer.replayed(0, other)
    assert len(asked) == 8


def test_what_is_remembered_is_bounded(
    replayer: Replayer, library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replaying, "REMEMBERED", 3)
    monkeypatch.setattr(replaying, "replay", lambda entry, *_, **__: entry.response)
    entry = recorded(library)
    for number in range(20):
        replayer.replayed(number, answered(entry, b"%d" % number))
    assert len(replayer._known) == 3
