"""`/log/...`: what proves the log, judged by the verifier and by the stand-alone script."""

import asyncio
import base64
from dataclasses import replace
from pathlib import Path

import pytest

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.leaf import Payload, belongs
from cds_service.audit.proof import ConsistencyProof, InclusionProof
from cds_service.audit.record import Origin
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.tree import leaf_hash
from cds_service.audit.verify import verify_inclusion
from cds_service.service import Service
from cds_service.web.app import make_app
from tests.logs import SIGNER, VERIFIER, entry_at

from .conftest import Call, call_app, issue
from .sample import body

ENTRIES = 5


@pytest.fixture
def notes(post: Call) -> list[str]:
    """The checkpoints that came with five answers."""
    answers = [post() for _ in range(ENTRIES)]
    return [base64.b64decode(each.headers["cds-log-checkpoint"]).decode() for each in answers]


def test_every_answer_brings_a_signed_checkpoint_that_covers_it(notes: list[str]) -> None:
    sizes = [open_checkpoint(note, VERIFIER).size for note in notes]

    assert sizes == [1, 2, 3, 4, 5]


def test_the_checkpoint_of_now_is_the_one_of_the_last_answer(call: Call, notes: list[str]) -> None:
    answer = call("GET", "/log/checkpoint")

    assert answer.text == notes[-1]
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"


def test_the_keys_are_those_that_verify(call: Call) -> None:
    assert call("GET", "/log/keys").text.split() == [str(key) for key in SIGNER.verifier_keys]


def test_an_empty_log_has_a_checkpoint_and_no_entry(call: Call) -> None:
    assert open_checkpoint(call("GET", "/log/checkpoint").text, VERIFIER).size == 0
    assert call("GET", "/log/entries/0").status_code == 404


@pytest.mark.parametrize("index", range(ENTRIES))
def test_each_entry_is_proved_to_be_in_the_log(call: Call, notes: list[str], index: int) -> None:
    leaf = call("GET", f"/log/entries/{index}").content
    proof = InclusionProof.parse(call("GET", f"/log/proof/inclusion/{index}").text)

    assert proof.verify(leaf, VERIFIER).size == ENTRIES
    assert proof.index == index


def test_a_proof_for_a_checkpoint_that_the_caller_holds_is_completed_with_it(
    call: Call, notes: list[str]
) -> None:
    leaf = call("GET", "/log/entries/1").content
    text = call("GET", "/log/proof/inclusion/1?size=3").text

    assert InclusionProof.parse(text + notes[2]).verify(leaf, VERIFIER).size == 3
    checkpoint = open_checkpoint(notes[2], VERIFIER)
    path = InclusionProof.parse(text + notes[2]).path
    verify_inclusion(leaf_hash(leaf), 1, 3, path, checkpoint.root)


@pytest.mark.parametrize(("old", "new"), [(1, 2), (2, 5), (3, 5), (4, 4)])
def test_the_log_of_then_is_the_beginning_of_that_of_now(
    call: Call, notes: list[str], old: int, new: int
) -> None:
    text = call("GET", f"/log/proof/consistency?from={old}&to={new}").text

    ConsistencyProof.parse(text).verify(notes[old - 1], notes[new - 1], VERIFIER)


def test_without_an_end_the_growth_up_to_now_is_proved(call: Call, notes: list[str]) -> None:
    text = call("GET", "/log/proof/consistency?from=2").text

    ConsistencyProof.parse(text).verify(notes[1], notes[-1], VERIFIER)


def test_the_opening_shows_that_a_leaf_is_of_this_request_and_this_answer(
    call: Call, post: Call
) -> None:
    answer = post()
    leaf = call("GET", "/log/entries/0").content
    opening = call("GET", "/log/opening/0").json()
    salt, rest = bytes.fromhex(opening["salt"]), opening["rest"].encode()

    assert opening["index"] == 0
    assert belongs(leaf, Payload(salt, body(), answer.content, rest))
    assert not belongs(leaf, Payload(salt, body() + b" ", answer.content, rest))
    assert call("GET", "/log/request/0").content == body()
    assert call("GET", "/log/response/0").content == answer.content


def test_a_leaf_names_no_infant(call: Call, post: Call) -> None:
    post()
    leaf = call("GET", "/log/entries/0")

    assert set(leaf.json()) == {
        "form", "kind", "recorded", "tenant", "caller", "protocol", "content", "code", "about",
        "commitment",
    }  # fmt: skip
    assert "orla" not in leaf.text


@pytest.mark.parametrize("name", ["opening", "request", "response"])
def test_what_was_erased_is_gone_and_its_proof_is_not(
    call: Call, post: Call, service: Service, name: str
) -> None:
    post()
    asyncio.run(service.erase(0, "on request"))
    answer = call("GET", f"/log/{name}/0")

    assert answer.status_code == 410
    assert issue(answer)["code"] == "deleted"
    assert "/log/proof/inclusion/0" in issue(answer)["diagnostics"]
    assert "/fhir/AuditEvent/log-0" in issue(answer)["diagnostics"]
    assert "new Idempotency-Key" in issue(answer)["diagnostics"]
    address = answer.headers["link"].partition(">")[0].removeprefix("<")
    leaf = call("GET", "/log/entries/0").content
    assert InclusionProof.parse(call("GET", address).text).verify(leaf, VERIFIER).size == 2


@pytest.mark.parametrize("name", ["opening", "request", "response"])
def test_what_was_altered_is_not_shown_as_what_was_recorded(
    call: Call, post: Call, store: SqliteStore, name: str
) -> None:
    post()
    recorded = entry_at(store, 0)
    dose = recorded.response.replace(b"gentamicin", b"amikacin")
    # Its hash, and so the leaf, is still that of what was answered.
    asyncio.run(store.append(replace(recorded, response=dose)))
    assert call("GET", f"/log/{name}/0").status_code == 200
    answer = call("GET", f"/log/{name}/1")

    assert answer.status_code == 500
    assert "amikacin" not in answer.text
    assert answer.headers["content-type"].startswith("application/fhir+json")
    assert "Entry 1 of the log was altered" in answer.json()["issue"][0]["details"]["text"]
    assert "verify-log" in issue(answer)["diagnostics"]


WRONG = ["-1", "1.0", "01", "x", "9" * 30, "%00", "0%20OR%201=1", "٣"]


@pytest.mark.parametrize("number", WRONG)
@pytest.mark.parametrize(
    "address",
    [
        "/log/entries/{}",
        "/log/opening/{}",
        "/log/request/{}",
        "/log/response/{}",
        "/log/proof/inclusion/{}",
        "/log/proof/inclusion/0?size={}",
        "/log/proof/consistency?from={}",
        "/log/proof/consistency?from=0&to={}",
    ],
)
def test_what_is_no_number_is_refused(call: Call, address: str, number: str) -> None:
    answer = call("GET", address.format(number))

    # An address with a character that cannot be printed is none at all.
    none = number == "%00" and "?" not in address
    assert answer.status_code == (404 if none else 400)
    assert issue(answer)["code"] == ("not-found" if none else "value")


@pytest.mark.parametrize(
    "address",
    [
        "/log/entries/1",
        "/log/entries/999999999999999999",
        "/log/opening/1",
        "/log/proof/inclusion/1",
        "/log/proof/inclusion/0?size=2",
        "/log/proof/inclusion/0?size=0",
        "/log/proof/consistency?from=0&to=2",
        "/log/proof/consistency?from=2",
        "/log/proof/consistency?from=1&to=0",
    ],
)
def test_what_is_beyond_the_log_is_not_found(call: Call, post: Call, address: str) -> None:
    post()
    answer = call("GET", address)

    assert answer.status_code == 404
    assert issue(answer)["code"] == "not-found"


def test_another_tenant_opens_nothing_and_proves_all_the_same(
    service: Service, call: Call, post: Call
) -> None:
    post()
    other = make_app(service, who=lambda _: Origin("other", "desk"))

    for address in ("entries", "opening", "request", "response"):
        assert call_app(other, "GET", f"/log/{address}/0").status_code == 404
        assert call("GET", f"/log/{address}/0").status_code == 200
    assert call_app(other, "GET", "/log/proof/inclusion/0").status_code == 200


def test_a_log_that_cannot_be_read_says_so(
    call: Call, store: SqliteStore, tmp_path: Path, post: Call
) -> None:
    post()
    for name in tmp_path.glob("log.db*"):
        name.unlink()
    answer = call("GET", "/log/entries/0")

    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    assert "could not be recorded" not in answer.text
