"""Proofs as text: good ones are shown, every forged one is refused, by the package and by the
verifier that stands alone. The vectors are our own (see `forging`)."""

import importlib.util
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import metamorphic_log as other
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cds_service.audit.checkpoint import Checkpoint, open_checkpoint
from cds_service.audit.note import Verifier, VerifierKey
from cds_service.audit.proof import ConsistencyProof, InclusionProof
from cds_service.audit.tree import leaf_hash
from cds_service.errors import LogProofError

from .forging import (
    FILE,
    KEY,
    LEAVES,
    LOG,
    REQUEST,
    RESPONSE,
    REST,
    SIGNER,
    Entry,
    Growth,
    vectors,
)

SCRIPT = Path("examples/verify_proof.py")
VECTORS = json.loads(FILE.read_text(encoding="ascii"))
GOOD = [(kind, name) for kind, named in VECTORS["good"].items() for name in named]
FORGED = [(kind, name) for kind, named in VECTORS["forged"].items() for name in named]

Texts = dict[str, str]


def in_package(kind: str, texts: Texts) -> None:
    verifier = Verifier([VerifierKey.parse(line) for line in texts["key"].split("\n")])
    if kind == "entry":
        InclusionProof.parse(texts["proof"]).verify(texts["leaf"].encode(), verifier)
    else:
        proof = ConsistencyProof.parse(texts["proof"])
        proof.verify(texts["old"], texts["new"], verifier)


def written(kind: str, texts: Texts, folder: Path) -> list[str]:
    """The arguments for the verifier."""
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode())
    rest = {"entry": ["proof", "leaf"], "growth": ["old", "new", "proof"]}[kind]
    return [str(folder / "key"), kind, *(str(folder / name) for name in rest)]


@pytest.fixture(scope="module")
def main() -> Callable[..., tuple[str, int]]:
    spec = importlib.util.spec_from_file_location("verify_proof", SCRIPT)
    assert spec
    assert spec.loader
    module: Any = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.main  # type: ignore[no-any-return]


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """The verifier as an auditor runs it; -I: it finds nothing of this folder."""
    command = [sys.executable, "-I", str(SCRIPT), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(("kind", "name"), GOOD)
def test_a_good_proof_is_shown_by_both(
    kind: str, name: str, tmp_path: Path, main: Callable[..., tuple[str, int]]
) -> None:
    texts = VECTORS["good"][kind][name]

    in_package(kind, texts)
    message, code = main(*written(kind, texts, tmp_path))

    assert code == 0
    assert message.startswith("SHOWN: ")
    assert LOG in message


@pytest.mark.parametrize(("kind", "name"), FORGED)
def test_a_forged_proof_is_refused_by_both(
    kind: str, name: str, tmp_path: Path, main: Callable[..., tuple[str, int]]
) -> None:
    texts = VECTORS["forged"][kind][name]

    with pytest.raises(LogProofError):
        in_package(kind, texts)
    message, code = main(*written(kind, texts, tmp_path))

    assert code == 1
    assert message.startswith("NOT SHOWN: ")


def test_there_are_vectors_of_many_kinds_and_no_two_are_the_same() -> None:
    for kind, fewest in (("entry", 60), ("growth", 60)):
        texts = [json.dumps(found) for found in VECTORS["forged"][kind].values()]
        assert len(texts) == len(set(texts)) >= fewest


def test_the_formats_have_not_changed_since_the_vectors_were_made() -> None:
    assert json.loads(json.dumps(vectors())) == VECTORS


@pytest.mark.parametrize(("kind", "name"), GOOD)
def test_good_proofs_come_back_as_they_were_read(kind: str, name: str) -> None:
    text = VECTORS["good"][kind][name]["proof"]

    assert (InclusionProof if kind == "entry" else ConsistencyProof).parse(text).text() == text


def test_another_implementation_accepts_our_notes_and_proofs() -> None:
    """metamorphic-log (Rust): its own signed notes, checkpoints and RFC 6962 verification."""
    for texts in VECTORS["good"]["entry"].values():
        proof = InclusionProof.parse(texts["proof"])
        other.checkpoint_verify_inclusion(
            proof.checkpoint, [KEY], proof.index, leaf_hash(texts["leaf"].encode()), proof.path
        )
    for texts in VECTORS["good"]["growth"].values():
        growth = ConsistencyProof.parse(texts["proof"])
        if growth.old:  # the RFC has no proof from the empty log
            other.checkpoint_verify_consistency(texts["old"], texts["new"], [KEY], growth.path)


@given(st.data())
def test_one_changed_letter_of_a_proof_never_shows_something_else(data: st.DataObject) -> None:
    """Whatever is changed, it is refused, or it meant nothing to what is shown."""
    texts = Entry.of(6, 11).sealed()
    place = data.draw(st.integers(0, len(texts["proof"]) - 1))
    letter = data.draw(st.characters(codec="utf-8"))
    changed = texts["proof"][:place] + letter + texts["proof"][place + 1 :]
    if changed == texts["proof"]:
        return

    with pytest.raises(LogProofError):
        in_package("entry", texts | {"proof": changed})


@settings(max_examples=200)
@given(st.text(), st.text(), st.text())
def test_whatever_is_read_nothing_but_our_error_is_raised(one: str, two: str, three: str) -> None:
    head = one.replace("\n\n", "\n")
    for parse in (InclusionProof.parse, ConsistencyProof.parse, Checkpoint.parse):
        for text in (one, f"c2sp.org/tlog-proof@v1\n{head}\n\n{two}", f"{head}\n{two}\n{three}"):
            try:
                parse(text)
            except LogProofError:
                continue


@pytest.mark.parametrize("text", ["", "a\n1\n", "a\n1", "\n1\n2\n", "a\n1\n\n", "a\nx\nAA==\n"])
def test_what_is_no_checkpoint_is_refused(text: str) -> None:
    with pytest.raises(LogProofError):
        Checkpoint.parse(text)


def test_extension_lines_are_kept() -> None:
    checkpoint = Checkpoint(LOG, 0, bytes(32), ("one", "two"))
    note = SIGNER.sign(checkpoint.text())

    assert open_checkpoint(note, Verifier(SIGNER.verifier_keys)) == checkpoint


def opening(folder: Path, index: int = 6, **changes: object) -> list[str]:
    known = {"salt": bytes([6]).hex() * 32, "rest": REST, "index": index} | changes
    files = {"opening": json.dumps(known).encode(), "request": REQUEST, "response": RESPONSE}
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return [str(folder / name) for name in files]


def test_the_verifier_shows_the_payloads_of_an_entry(tmp_path: Path) -> None:
    arguments = written("entry", Entry.of(6, 11).sealed(), tmp_path)

    alone = run(*arguments)
    opened = run(*arguments, *opening(tmp_path))

    assert (alone.returncode, opened.returncode) == (0, 0)
    assert alone.stdout == (
        f"SHOWN: the record is that of entry 6 in the log {LOG}, signed with 11 entries.\n"
    )
    assert opened.stdout.startswith("SHOWN: record, request and response are those of entry 6 ")
    assert not alone.stderr + opened.stderr


@pytest.mark.parametrize(
    "changes",
    [
        {"salt": "00" * 32},
        {"salt": "06" * 31},
        {"salt": "no hex"},
        {"salt": 6},
        {"rest": "as of another day"},
        {"rest": None},
        {"rest": "\ud800"},
        {"index": 5},
        {"index": None},
    ],
)
def test_an_opening_that_is_not_exactly_right_shows_nothing(
    tmp_path: Path, main: Callable[..., tuple[str, int]], changes: dict[str, object]
) -> None:
    arguments = written("entry", Entry.of(6, 11).sealed(), tmp_path)

    message, code = main(*arguments, *opening(tmp_path, **changes))

    assert code == 1
    assert message.startswith("NOT SHOWN: ")


@pytest.mark.parametrize("name", ["request", "response", "opening"])
@pytest.mark.parametrize("content", [b"", b"[]", b"[1]", b"{}", b"\xff", b"[" * 100_000])
def test_other_payloads_show_nothing(
    tmp_path: Path, main: Callable[..., tuple[str, int]], name: str, content: bytes
) -> None:
    arguments = [*written("entry", Entry.of(6, 11).sealed(), tmp_path), *opening(tmp_path)]
    (tmp_path / name).write_bytes(content)

    assert main(*arguments)[1] == 1


@pytest.mark.parametrize(
    "leaf",
    [
        "no JSON",
        "[]",
        "{}",
        '{"commitment": 1}',
        LEAVES[6].replace("{", '{"\\u0063ommitment": "x", '),
        LEAVES[6].replace('"}', '", "commitment": "x"}'),
    ],
)
def test_a_record_that_commits_to_nothing_or_twice_shows_no_payload(
    tmp_path: Path, main: Callable[..., tuple[str, int]], leaf: str
) -> None:
    leaves = [*LEAVES[:6], leaf, *LEAVES[7:]]
    arguments = written("entry", Entry.of(6, 11, leaves).sealed(), tmp_path)

    assert main(*arguments)[1] == 0
    assert main(*arguments, *opening(tmp_path))[1] == 1


def test_the_verifier_as_a_program_tells_growth_from_rewritten_history(tmp_path: Path) -> None:
    good = run(*written("growth", Growth.of(6, 11).sealed(), tmp_path))
    forged = VECTORS["forged"]["growth"]["history: an entry altered"]
    bad = run(*written("growth", forged, tmp_path))

    assert good.returncode == 0
    assert good.stdout == (
        f"SHOWN: the 6 entries of the old checkpoint are in the log {LOG} of 11, unaltered.\n"
    )
    assert (bad.returncode, bad.stdout) == (1, "NOT SHOWN: other roots\n")
    assert not good.stderr + bad.stderr


def test_the_verifier_says_when_it_could_not_run(tmp_path: Path) -> None:
    arguments = written("entry", Entry.of(6, 11).sealed(), tmp_path)
    (tmp_path / "leaf").unlink()

    assert run(*arguments).returncode == 2
    for wrong in ([], ["entry"], [*arguments, "one more"], [KEY, "else", "a", "b"]):
        usage = run(*wrong)
        assert usage.returncode == 2
        assert "verify_proof.py KEY entry" in usage.stdout


def test_the_verifier_takes_the_key_itself_too(tmp_path: Path) -> None:
    _, *arguments = written("entry", Entry.of(6, 11).sealed(), tmp_path)

    assert run(KEY, *arguments).returncode == 0


def test_the_verifier_is_short_and_stands_alone() -> None:
    text = SCRIPT.read_text(encoding="utf-8")

    assert len(text.splitlines()) <= 150
    assert "cds_service" not in text
