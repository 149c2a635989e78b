"""Inclusion proofs that are good, and many that are not."""

from hashlib import sha256

from cds_service.audit.tree import EMPTY, node_hash, root

from .forging import (
    KEY,
    LEAVES,
    LOG,
    OTHER_KEY,
    OTHER_LOG,
    SIGNER,
    STRANGER,
    Entry,
    Growth,
    b64,
    flipped,
    hashes,
)

BASE = Entry.of(6, 11)
TEXTS = BASE.sealed()
PROOF, (HEAD, NOTE) = TEXTS["proof"], TEXTS["proof"].split("\n\n", 1)
BODY, LINE = NOTE.split("\n\n")
OTHER_LINE = SIGNER.sign(Entry.of(6, 12).checkpoint.text()).split("\n\n")[1]
HASHES = hashes(LEAVES)
FIRST = b64(BASE.path[0])


def text(proof: str) -> dict[str, str]:
    assert proof != PROOF
    return TEXTS | {"proof": proof}


def swap(old: str, new: str) -> dict[str, str]:
    """The proof with one thing replaced, and nothing signed again."""
    assert old in PROOF
    return text(PROOF.replace(old, new, 1))


def resigned(body: str) -> dict[str, str]:
    """The proof with a text signed that is no proper checkpoint."""
    return text(f"{HEAD}\n\n{SIGNER.sign(body)}")


def other_tree(leaf_prefix: bytes, *, doubled: bool = False) -> bytes:
    """The root of trees that other designs make: no prefix of leaves, last one doubled."""
    level = [sha256(leaf_prefix + leaf.encode()).digest() for leaf in LEAVES[:11]]
    while len(level) > 1:
        if len(level) % 2 and doubled:
            level.append(level[-1])
        pairs = [level[at : at + 2] for at in range(0, len(level), 2)]
        level = [node_hash(*pair) if len(pair) == 2 else pair[0] for pair in pairs]
    return level[0]


def inner_node_as_leaf() -> Entry:
    """The classic second preimage: two hashes are passed off as an entry."""
    index, size = 0, 2
    pair = HASHES[0] + HASHES[1]
    path = (node_hash(HASHES[2], HASHES[3]),)
    head = root(HASHES[:4])
    shown = Entry.of(0, 4).signed(size=size, root=head)
    return shown.but(index=index, path=path, leaf=pair.decode("latin-1"))


path = BASE.path

GOOD_ENTRIES = {
    "one of eleven": BASE.sealed(),
    "the first": Entry.of(0, 11).sealed(),
    "the last, alone on its side": Entry.of(10, 11).sealed(),
    "the only one": Entry.of(0, 1).sealed(),
    "a perfect tree": Entry.of(5, 16).sealed(),
    "with extra data": BASE.but(extra=b"anything").sealed(),
    "with an extension line in the checkpoint": BASE.signed(extensions=("more",)).sealed(),
    "with a signature of an unknown key": text(PROOF + "\u2014 witness.example AAAAAAQ=\n"),
    "with the new key of two": BASE.sealed()
    | {"proof": f"{HEAD}\n\n{STRANGER.sign(BASE.checkpoint.text())}{LINE}"},
}

FORGED_ENTRIES = {
    # what was logged
    "leaf: one bit differs": BASE.but(leaf=LEAVES[6].replace("6", "7", 1)).sealed(),
    "leaf: that of another entry": BASE.but(leaf=LEAVES[5]).sealed(),
    "leaf: empty": BASE.but(leaf="").sealed(),
    "leaf: a newline more": BASE.but(leaf=LEAVES[6] + "\n").sealed(),
    "leaf: a node passed off as an entry": inner_node_as_leaf().sealed(),
    # where
    "index: one higher": BASE.but(index=7).sealed(),
    "index: one lower": BASE.but(index=5).sealed(),
    "index: the size": BASE.but(index=11).sealed(),
    "index: beyond the size": BASE.but(index=10**18).sealed(),
    "index: mirrored": BASE.but(index=4).sealed(),
    "index: the first": BASE.but(index=0).sealed(),
    "index: same low bits": BASE.but(index=6 + 16).sealed(),
    # the path
    "path: empty": BASE.but(path=()).sealed(),
    "path: without its first hash": BASE.but(path=path[1:]).sealed(),
    "path: without its last hash": BASE.but(path=path[:-1]).sealed(),
    "path: without one in the middle": BASE.but(path=path[:1] + path[2:]).sealed(),
    "path: one more at the end": BASE.but(path=(*path, path[0])).sealed(),
    "path: one more at the beginning": BASE.but(path=(HASHES[6], *path)).sealed(),
    "path: turned round": BASE.but(path=path[::-1]).sealed(),
    "path: two hashes exchanged": BASE.but(path=(path[1], path[0], *path[2:])).sealed(),
    "path: a bit of the first hash": BASE.but(path=(flipped(path[0]), *path[1:])).sealed(),
    "path: a bit of the last hash": BASE.but(path=(*path[:-1], flipped(path[-1], 7))).sealed(),
    "path: that of another entry": BASE.but(path=Entry.of(5, 11).path).sealed(),
    "path: that of another size": BASE.but(path=Entry.of(6, 12).path).sealed(),
    "path: the leaf is its own sibling": BASE.but(path=(HASHES[6], *path[1:])).sealed(),
    "path: the root at its end": BASE.but(path=(*path[:-1], root(HASHES[:11]))).sealed(),
    "path: nothing but zeros": BASE.but(path=(bytes(32),) * 4).sealed(),
    "path: twice": BASE.but(path=path * 2).sealed(),
    "path: far too long": BASE.but(path=(bytes(32),) * 200).sealed(),
    "path: something where the log has one entry": Entry.of(0, 1).but(path=path[:1]).sealed(),
    # a log that signs what is not so
    # (Size 12 with the root of 11 would verify: the path has the same shape. That a size goes
    # with its root is what the signature says; a growth proof shows when it does not.)
    "size: that of a higher tree": BASE.signed(size=17).sealed(),
    "size: none": BASE.signed(size=0).sealed(),
    "size: none, with the root of an empty log": BASE.signed(size=0, root=EMPTY).sealed(),
    "size: one": BASE.signed(size=1).sealed(),
    "size: as large as can be written": BASE.signed(size=10**19 - 1).sealed(),
    "root: of another size": BASE.signed(root=root(HASHES[:10])).sealed(),
    "root: of other entries": BASE.signed(root=root(HASHES[1:12])).sealed(),
    "root: of an empty log": BASE.signed(root=EMPTY).sealed(),
    "root: the leaf itself": BASE.signed(root=HASHES[6]).sealed(),
    "root: zeros": BASE.signed(root=bytes(32)).sealed(),
    "root: leaves hashed without their prefix": BASE.signed(root=other_tree(b"")).sealed(),
    "root: leaves hashed like nodes": BASE.signed(root=other_tree(b"\x01")).sealed(),
    "root: the odd leaf doubled": BASE.signed(root=other_tree(b"\x00", doubled=True)).sealed(),
    # the text of the proof
    "text: empty": text(""),
    "text: no header": text(PROOF.split("\n", 1)[1]),
    "text: another version": swap("@v1", "@v2"),
    "text: a space after the header": swap("@v1", "@v1 "),
    "text: a line before the header": text("\n" + PROOF),
    "text: a byte order mark": text("\ufeff" + PROOF),
    "text: a growth proof": text(Growth.of(3, 11).sealed()["proof"]),
    "text: no index": swap("index 6\n", ""),
    "text: the index twice": swap("index 6\n", "index 6\nindex 6\n"),
    "text: index with a leading zero": swap("index 6", "index 06"),
    "text: negative index": swap("index 6", "index -5"),
    "text: index with a plus": swap("index 6", "index +6"),
    "text: index in another base": swap("index 6", "index 0x6"),
    "text: index in other digits": swap("index 6", "index \u0666"),
    "text: index with a fraction": swap("index 6", "index 6.0"),
    "text: index with an underscore": swap("index 6", "index 0_6"),
    "text: index with two spaces": swap("index 6", "index  6"),
    "text: index with a space behind": swap("index 6", "index 6 "),
    "text: index of five thousand digits": swap("index 6", "index " + "6" * 5000),
    "text: index empty": swap("index 6", "index "),
    "text: index in capitals": swap("index 6", "INDEX 6"),
    "text: extra is no base64": swap("index 6", "extra !\nindex 6"),
    "text: extra is empty": swap("index 6", "extra \nindex 6"),
    "text: extra twice": swap("index 6", "extra AAAA\nextra AAAA\nindex 6"),
    "text: extra behind the index": swap("index 6", "index 6\nextra AAAA"),
    "text: a hash in hex": swap(FIRST, path[0].hex()),
    "text: a hash of 31 bytes": swap(FIRST, b64(path[0][:31])),
    "text: a hash of 33 bytes": swap(FIRST, b64(path[0] + b"\0")),
    "text: a hash without padding": swap(FIRST, FIRST.rstrip("=")),
    "text: a hash with more padding": swap(FIRST, FIRST + "="),
    "text: a hash in another spelling": swap(FIRST, FIRST[:-2] + chr(ord(FIRST[-2]) + 1) + "="),
    "text: a hash with a space behind": swap(FIRST, FIRST + " "),
    "text: two hashes in a line": swap(FIRST + "\n", FIRST + " "),
    "text: a hash in the alphabet for addresses": BASE.but(path=(b"\xff" * 32,)).sealed()
    | {"proof": text(PROOF.replace(FIRST, "_" * 42 + "8="))["proof"]},
    "text: an empty line in the path": swap(FIRST + "\n", FIRST + "\n\n"),
    "text: no empty line before the checkpoint": text(f"{HEAD}\n{NOTE}"),
    "text: two empty lines before the checkpoint": text(f"{HEAD}\n\n\n{NOTE}"),
    "text: lines end with carriage return": text(PROOF.replace("\n", "\r\n")),
    "text: a tab": swap("index ", "index\t"),
    "text: a zero byte": swap("index 6", "index 6\0"),
    "text: no checkpoint": text(HEAD + "\n\n"),
    "text: cut at the checkpoint": text(HEAD + "\n"),
    # the checkpoint and its signatures
    "note: of an unknown key with the log's name": BASE.but(signer=STRANGER).sealed(),
    "note: of the key of another log": BASE.but(signer=OTHER_LOG).sealed(),
    "note: verified with the key of another log": BASE.sealed(OTHER_KEY),
    "note: another log's checkpoint of that log's key": BASE.but(signer=OTHER_LOG).sealed(
        OTHER_KEY
    ),
    "note: origin altered": swap(LOG + "\n11", LOG + "x\n11"),
    "note: size altered": swap("\n11\n", "\n12\n"),
    "note: root altered": swap(b64(BASE.checkpoint.root), b64(root(HASHES[:10]))),
    "note: signature of another checkpoint": text(f"{HEAD}\n\n{BODY}\n\n{OTHER_LINE}"),
    "note: a bit of the signature": text(
        PROOF[:-9] + ("B" if PROOF[-9] == "A" else "A") + PROOF[-8:]
    ),
    "note: signature of another key under the known id": text(
        f"{HEAD}\n\n{BODY}\n\n\u2014 {LOG} " + b64(SIGNER.verifier_keys[0].id + bytes(64)) + "\n"
    ),
    "note: signature cut short": text(
        f"{HEAD}\n\n{BODY}\n\n\u2014 {LOG} " + b64(SIGNER.verifier_keys[0].id + bytes(63)) + "\n"
    ),
    "note: one right and one wrong signature": text(
        f"{PROOF}\u2014 {LOG} " + b64(SIGNER.verifier_keys[0].id + bytes(64)) + "\n"
    ),
    "note: a key ID without a signature": text(
        PROOF + f"\u2014 {LOG} " + b64(SIGNER.verifier_keys[0].id) + "\n"
    ),
    "note: no signature": text(f"{HEAD}\n\n{BODY}\n\n"),
    "note: no newline at the end": text(PROOF[:-1]),
    "note: a line behind the signatures": text(PROOF + "hello\n"),
    "note: an empty line behind the signatures": text(PROOF + "\n"),
    "note: a hyphen for the dash": swap("\u2014", "-"),
    "note: two spaces in a signature line": swap(f"\u2014 {LOG} ", f"\u2014 {LOG}  "),
    "note: a hundred signatures": text(PROOF + LINE * 100),
    "note: a space in the name of a further key": text(PROOF + "\u2014 a\u2003b AAAAAAQ=\n"),
    "note: a plus in the name of a further key": text(PROOF + "\u2014 a+b AAAAAAQ=\n"),
    "note: a size with a leading zero, signed": resigned(BODY.replace("\n11", "\n011") + "\n"),
    "note: a negative size, signed": resigned(BODY.replace("\n11", "\n-11") + "\n"),
    "note: a root of 31 bytes, signed": resigned(f"{LOG}\n11\n{b64(bytes(31))}\n"),
    "note: a root without padding, signed": resigned(BODY.rstrip("=") + "\n"),
    "note: no root, signed": resigned(f"{LOG}\n11\n"),
    "note: an empty line in it, signed": resigned(BODY + "\n\nmore\n"),
    "note: no origin, signed": resigned("\n" + BODY.split("\n", 1)[1] + "\n"),
    # the key to verify with
    "key: a wrong id": TEXTS | {"key": KEY.replace("+", "+0", 1)[:-1]},
    "key: of another name": TEXTS | {"key": KEY.replace("marrow", "harrow")},
    "key: of another type": TEXTS | {"key": KEY.replace("+A", "+B")},
    "key: cut short": TEXTS | {"key": KEY[:-4]},
    "key: no key": TEXTS | {"key": "none"},
}
