"""Signed notes: the published examples, several keys, and everything that is refused."""

import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1
from cryptography.hazmat.primitives.asymmetric.ec import generate_private_key as ec_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)

from cds_service.audit.keys import first_key, load_key, load_signer, make_key
from cds_service.audit.note import MOST_SIGNATURES, Signer, Verifier, VerifierKey
from cds_service.errors import LogProofError, SettingsError

NAME = "log.example/marrow-vale"
TEXT = "first line\n\nthird line ½\n"

OLD, NEW = (Ed25519PrivateKey.from_private_bytes(bytes([number]) * 32) for number in (1, 2))


def opened(note: str, *signers: Signer) -> str:
    keys = [key for signer in signers for key in signer.verifier_keys]
    text, _ = Verifier(keys).open(note)
    return text


@pytest.mark.parametrize(
    ("key", "note"),
    [
        (  # the example of C2SP signed-note in its later versions, seen quoted elsewhere
            "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
            (
                "This is an example message.\n\n— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6"
                "TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
            ),
        ),
        (  # the example in the documentation of the Go package golang.org/x/mod/sumdb/note
            "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
            (
                "If you think cryptography is the answer to your problem,\n"
                "then you don't know what your problem is.\n\n"
                "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNX"
                "gKvqfqdngotpRZb6KE6RyyBwJnAM=\n"
            ),
        ),
    ],
)
def test_the_published_examples_verify(key: str, note: str) -> None:
    known = VerifierKey.parse(key)

    text, signers = Verifier([known]).open(note)

    assert str(known) == key
    assert note.startswith(f"{text}\n— ")
    assert signers == {known.name}


def test_the_go_example_is_signed_to_the_same_bytes() -> None:
    """Ed25519 gives one signature for one text and key (RFC 8032); the key is the example's."""
    key = "810a1402d5146c8d84f2443330f54080ebf98ee17d9c74f6252fc5d5c7283173"
    signer = Signer("PeterNeumann", [Ed25519PrivateKey.from_private_bytes(bytes.fromhex(key))])
    text = (
        "If you think cryptography is the answer to your problem,\n"
        "then you don't know what your problem is.\n"
    )

    assert signer.sign(text) == (
        f"{text}\n— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXg"
        "KvqfqdngotpRZb6KE6RyyBwJnAM=\n"
    )


def test_whoever_knows_the_old_or_the_new_key_accepts_a_note_of_both() -> None:
    note = Signer(NAME, [OLD, NEW]).sign(TEXT)

    assert opened(note, Signer(NAME, [OLD])) == TEXT
    assert opened(note, Signer(NAME, [NEW])) == TEXT
    assert opened(note, Signer(NAME, [OLD, NEW])) == TEXT


def test_a_note_of_unknown_keys_only_is_refused() -> None:
    note = Signer(NAME, [OLD]).sign(TEXT)

    for stranger in (Signer(NAME, [NEW]), Signer("other.example", [OLD])):
        with pytest.raises(LogProofError, match="no known key"):
            opened(note, stranger)


def test_one_wrong_signature_of_a_known_key_spoils_the_note() -> None:
    signer = Signer(NAME, [OLD, NEW])
    right, other = signer.sign(TEXT), signer.sign("another\n")
    lines = [*right.splitlines(keepends=True)[:-1], other.splitlines(keepends=True)[-1]]

    with pytest.raises(LogProofError, match="is wrong"):
        opened("".join(lines), signer)


def test_a_signature_of_an_unknown_type_is_ignored() -> None:
    note = Signer(NAME, [OLD]).sign(TEXT) + "— witness.example AAAAAAQ=\n"

    assert opened(note, Signer(NAME, [OLD])) == TEXT


GOOD = Signer(NAME, [OLD]).sign(TEXT)
LINE = GOOD.rpartition("\n\n")[2]


@pytest.mark.parametrize(
    "note",
    {
        "empty": "",
        "no signature": TEXT + "\n",
        "no empty line": "one line\n" + LINE,
        "nothing but a signature": LINE,
        "no newline at the end": GOOD[:-1],
        "a further empty line": GOOD + "\n",
        "a line that is no signature": GOOD + "hello\n",
        "a hyphen for the dash": GOOD.replace("\u2014", "-"),
        "no name": TEXT + "\n— " + LINE.rpartition(" ")[2],
        "empty name": TEXT + "\n—  " + LINE.rpartition(" ")[2],
        "a name with a plus": GOOD.replace("— log", "— lo+g"),
        "a name with another space": GOOD.replace("— log", "— lo\u2003g"),
        "two spaces": GOOD.replace("vale ", "vale  "),
        "a tab": GOOD.replace("third", "third\t"),
        "a carriage return": GOOD.replace("\n", "\r\n"),
        "half a character": GOOD.replace("third", "third \ud800"),
        "no base64": TEXT + f"\n— {NAME} !!!!\n",
        "base64 with letters of another script": TEXT + f"\n— {NAME} ааааaaaa\n",
        "base64 without its padding": GOOD[:-3] + "\n",
        "base64 in another spelling": TEXT + f"\n— {NAME} AAAAAAR=\n",
        "a key ID alone": TEXT + f"\n— {NAME} AAAAAA==\n",
        "too many signatures": GOOD + LINE * MOST_SIGNATURES,
        "too large": "x" * 600_000 + GOOD,
        "a signature cut short": TEXT + "\n" + LINE[:-9] + "\n",
        "another text": GOOD.replace("first", "First"),
        "a line more": "a line\n" + GOOD,
    }.items(),
    ids=lambda case: case[0],
)
def test_a_note_that_is_malformed_or_altered_is_refused(note: tuple[str, str]) -> None:
    with pytest.raises(LogProofError):
        opened(note[1], Signer(NAME, [OLD]))


def test_sixteen_signatures_are_accepted_as_the_spec_demands() -> None:
    keys = [Ed25519PrivateKey.from_private_bytes(bytes([number]) * 32) for number in range(16)]
    signer = Signer(NAME, keys)

    assert opened(signer.sign(TEXT), signer) == TEXT


@pytest.mark.parametrize("text", ["", "no newline", "tab\t\n", "half \udfff\n"])
def test_a_text_that_no_note_may_have_is_not_signed(text: str) -> None:
    with pytest.raises(ValueError, match="a note ends"):
        Signer(NAME, [OLD]).sign(text)


KEY = str(Signer(NAME, [OLD]).verifier_keys[0])


@pytest.mark.parametrize(
    "text",
    [
        "",
        KEY + "\n",
        KEY.replace("log", "lo g"),
        KEY.replace("log", "log\ud800"),
        KEY.replace("log", "Log"),
        KEY[:-4],
        KEY.replace("+A", "+B"),
        "x+00000000+AQ==",
    ],
)
def test_a_key_that_is_not_exactly_one_is_refused(text: str) -> None:
    with pytest.raises(LogProofError):
        VerifierKey.parse(text)


@pytest.mark.parametrize("name", ["", "a b", "a+b", "a\u3000b", "a\x01b"])
def test_a_name_that_no_key_may_have_makes_no_signer(name: str) -> None:
    with pytest.raises(ValueError, match="a signer"):
        Signer(name, [OLD])


def test_a_key_is_made_for_its_owner_only_and_can_be_loaded(tmp_path: Path) -> None:
    paths = [tmp_path / "one.pem", tmp_path / "two.pem"]
    for path in paths:
        make_key(path)

    assert stat.S_IMODE(paths[0].stat().st_mode) == 0o600
    signer = load_signer(NAME, paths)
    assert opened(signer.sign(TEXT), load_signer(NAME, paths[1:])) == TEXT
    assert len({key.id for key in signer.verifier_keys}) == 2


def test_a_key_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    make_key(path)
    before = path.read_bytes()

    with pytest.raises(SettingsError, match="cannot be made"):
        make_key(path)

    assert path.read_bytes() == before


def test_the_first_key_of_a_log_is_made_once(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "key.pem"
    first_key(path)
    before = path.read_bytes()
    first_key(path)

    assert path.read_bytes() == before
    assert load_signer(NAME, [path]).verifier_keys
    assert [each.name for each in path.parent.iterdir()] == ["key.pem"]


def test_a_first_key_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    with pytest.raises(SettingsError, match="cannot be made"):
        first_key(tmp_path / "file" / "key.pem")


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o601])
def test_a_key_that_others_may_use_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "key.pem"
    make_key(path)
    path.chmod(mode)

    with pytest.raises(SettingsError, match="others may use"):
        load_key(path)


def pem(key: Ed25519PrivateKey, password: bytes = b"") -> bytes:
    lock = BestAvailableEncryption(password) if password else NoEncryption()
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, lock)


def other_kind() -> bytes:
    return ec_key(SECP256R1()).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


@pytest.mark.parametrize(
    ("content", "finding"),
    [
        (lambda: b"", "no unencrypted private key"),
        (lambda: pem(OLD)[:60], "no unencrypted private key"),
        (lambda: pem(OLD, b"secret"), "no unencrypted private key"),
        (other_kind, "no Ed25519 key"),
    ],
)
def test_a_file_that_holds_no_usable_key_is_refused(
    tmp_path: Path, content: Callable[[], bytes], finding: str
) -> None:
    path = tmp_path / "key.pem"
    path.touch(mode=0o600)
    path.write_bytes(content())

    with pytest.raises(SettingsError, match=finding) as refused:
        load_key(path)
    assert "MC4CAQ" not in str(refused.value)


def test_all_findings_about_the_keys_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    make_key(path)

    with pytest.raises(SettingsError) as refused:
        load_signer(NAME, [path, tmp_path / "absent.pem", path])

    assert len(refused.value.findings) == 2
    with pytest.raises(SettingsError, match="a signer has"):
        load_signer(NAME, [])
