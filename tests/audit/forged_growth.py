"""Consistency proofs that are good, and many that are not."""

from dataclasses import replace

from cds_service.audit.tree import EMPTY, root

from .forging import (
    KEY,
    LEAVES,
    LOG,
    OTHER,
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

BASE = Growth.of(6, 11)
TEXTS = BASE.sealed()
PROOF, OLD, NEW = TEXTS["proof"], TEXTS["old"], TEXTS["new"]
HASHES = hashes(LEAVES)
FIRST = b64(BASE.path[0])
path = BASE.path
perfect = Growth.of(8, 11)


def text(proof: str) -> dict[str, str]:
    assert proof != PROOF
    return TEXTS | {"proof": proof}


def swap(old: str, new: str) -> dict[str, str]:
    assert old in PROOF
    return text(PROOF.replace(old, new, 1))


def history(leaves: list[str], old: int = 6) -> dict[str, str]:
    """The old log held other entries than the new one has in their place."""
    return Growth.of(old, 11, leaves).sealed()


def sized(old: int, new: int, path: tuple[bytes, ...] = ()) -> Growth:
    return Growth.of(old, new).but(path=path)


def with_root(growth: Growth, which: str, value: bytes) -> dict[str, str]:
    return growth.but(**{which: replace(getattr(growth, which), root=value)}).sealed()


GOOD_GROWTH = {
    "six to eleven": BASE.sealed(),
    "from a perfect tree": perfect.sealed(),
    "to a perfect tree": Growth.of(7, 16).sealed(),
    "one to two": Growth.of(1, 2).sealed(),
    "from the empty log": Growth.of(0, 11).sealed(),
    "from the empty log to itself": Growth.of(0, 0).sealed(),
    "to itself": Growth.of(11, 11).sealed(),
    "one more": Growth.of(10, 11).sealed(),
}

FORGED_GROWTH = {
    # a log that rewrote its history, with the honest path of what it now is
    "history: an entry altered": history([*LEAVES[:3], "other", *LEAVES[4:]]),
    "history: the last entry altered": history([*LEAVES[:5], "other", *LEAVES[6:]]),
    "history: an entry of a perfect tree altered": history(["other", *LEAVES[1:]], old=8),
    "history: an entry removed": history([*LEAVES[:2], "gone", *LEAVES[2:]]),
    "history: an entry put in": history([*LEAVES[:2], *LEAVES[3:]]),
    "history: two entries exchanged": history([LEAVES[1], LEAVES[0], *LEAVES[2:]]),
    "history: begun anew": history([f"older {number}" for number in range(11)]),
    "history: rolled back": Growth.of(6, 11).but(old=BASE.new, new=BASE.old).sealed(),
    "history: two logs of one size": with_root(sized(11, 11), "old", root(HASHES[1:12])),
    "history: one of the same size, with a path": with_root(
        sized(11, 11, path), "old", root(HASHES[1:12])
    ),
    # the path
    "path: empty": BASE.but(path=()).sealed(),
    "path: empty from a perfect tree": perfect.but(path=()).sealed(),
    "path: without its first hash": BASE.but(path=path[1:]).sealed(),
    "path: without its last hash": BASE.but(path=path[:-1]).sealed(),
    "path: without one in the middle": BASE.but(path=path[:1] + path[2:]).sealed(),
    "path: one more at the end": BASE.but(path=(*path, path[0])).sealed(),
    "path: one more at the beginning": BASE.but(path=(path[0], *path)).sealed(),
    "path: turned round": BASE.but(path=path[::-1]).sealed(),
    "path: two hashes exchanged": BASE.but(path=(path[1], path[0], *path[2:])).sealed(),
    "path: a bit of the first hash": BASE.but(path=(flipped(path[0]), *path[1:])).sealed(),
    "path: a bit of the last hash": BASE.but(path=(*path[:-1], flipped(path[-1], 7))).sealed(),
    "path: that of another old size": BASE.but(path=Growth.of(7, 11).path).sealed(),
    "path: that of another new size": BASE.but(path=Growth.of(6, 12).path).sealed(),
    "path: nothing but zeros": BASE.but(path=(bytes(32),) * len(path)).sealed(),
    "path: far too long": BASE.but(path=(bytes(32),) * 200).sealed(),
    "path: the old root before it": perfect.but(path=(perfect.old.root, *perfect.path)).sealed(),
    "path: the two roots": BASE.but(path=(BASE.old.root, BASE.new.root)).sealed(),
    "path: something from the empty log": sized(0, 11, path).sealed(),
    "path: something to the same log": sized(11, 11, path).sealed(),
    # a log that signs what is not so
    "root: the old one of another size": with_root(BASE, "old", root(HASHES[:5])),
    "root: the new one of another size": with_root(BASE, "new", root(HASHES[:10])),
    "root: the two exchanged": BASE.but(
        old=replace(BASE.old, root=BASE.new.root), new=replace(BASE.new, root=BASE.old.root)
    ).sealed(),
    "root: the new one is the old one": with_root(BASE, "new", BASE.old.root),
    "root: the empty log has another": with_root(sized(0, 11), "old", BASE.new.root),
    "root: the empty log has zeros": with_root(sized(0, 11), "old", bytes(32)),
    "root: an empty log twice, with another": sized(0, 0)
    .but(old=replace(BASE.new, size=0), new=replace(BASE.new, size=0))
    .sealed(),
    "root: that of an empty log": with_root(BASE, "old", EMPTY),
    "size: the old one higher": BASE.but(old=replace(BASE.old, size=7)).sealed(),
    "size: the old one is perfect": BASE.but(old=replace(BASE.old, size=4)).sealed(),
    "size: the new one higher": BASE.but(new=replace(BASE.new, size=17)).sealed(),
    "size: the new one doubled": BASE.but(new=replace(BASE.new, size=22)).sealed(),
    "size: the new one as large as can be written": BASE.but(
        new=replace(BASE.new, size=10**19 - 1)
    ).sealed(),
    # the text of the proof
    "text: empty": text(""),
    "text: nothing but a header": text(PROOF.split("\n")[0] + "\n"),
    "text: a header without its newline": text(PROOF.split("\n")[0]),
    "text: another version": swap("@v1", "@v2"),
    "text: an entry proof": text(Entry.of(6, 11).sealed()["proof"]),
    "text: the sizes exchanged": swap("old 6\nnew 11", "old 11\nnew 6"),
    "text: the lines exchanged": swap("old 6\nnew 11", "new 11\nold 6"),
    "text: another old size than the checkpoint's": swap("old 6", "old 5"),
    "text: another new size than the checkpoint's": swap("new 11", "new 12"),
    "text: no old size": swap("old 6\n", ""),
    "text: no new size": swap("new 11\n", ""),
    "text: old size with a leading zero": swap("old 6", "old 06"),
    "text: new size with a leading zero": swap("new 11", "new 011"),
    "text: negative size": swap("old 6", "old -6"),
    "text: size in other digits": swap("old 6", "old \u0666"),
    "text: size of five thousand digits": swap("new 11", "new " + "1" * 5000),
    "text: no newline at the end": text(PROOF[:-1]),
    "text: an empty line at the end": text(PROOF + "\n"),
    "text: an empty line in the path": swap(FIRST + "\n", FIRST + "\n\n"),
    "text: lines end with carriage return": text(PROOF.replace("\n", "\r\n")),
    "text: a zero byte": swap("old 6", "old 6\0"),
    "text: a hash in hex": swap(FIRST, path[0].hex()),
    "text: a hash of 31 bytes": swap(FIRST, b64(path[0][:31])),
    "text: a hash of 33 bytes": swap(FIRST, b64(path[0] + b"\0")),
    "text: a hash without padding": swap(FIRST, FIRST.rstrip("=")),
    "text: a hash in another spelling": swap(FIRST, FIRST[:-2] + chr(ord(FIRST[-2]) + 1) + "="),
    "text: a space behind a hash": swap(FIRST, FIRST + " "),
    # the checkpoints
    "note: the old one of an unknown key": BASE.but(signers=(STRANGER, SIGNER)).sealed(),
    "note: the new one of an unknown key": BASE.but(signers=(SIGNER, STRANGER)).sealed(),
    "note: the old one unsigned": TEXTS | {"old": BASE.old.text()},
    "note: the new one unsigned": TEXTS | {"new": BASE.new.text()},
    "note: the old one altered": TEXTS | {"old": OLD.replace("\n6\n", "\n7\n")},
    "note: the new one altered": TEXTS | {"new": NEW.replace("\n11\n", "\n12\n")},
    "note: the signatures exchanged": TEXTS
    | {
        "old": OLD.split("\n\n")[0] + "\n\n" + NEW.split("\n\n")[1],
        "new": NEW.split("\n\n")[0] + "\n\n" + OLD.split("\n\n")[1],
    },
    "note: of another origin than their key": BASE.but(
        old=replace(BASE.old, origin=OTHER), new=replace(BASE.new, origin=OTHER)
    ).sealed(),
    "note: of two logs, both keys known": BASE.but(
        new=replace(BASE.new, origin=OTHER), signers=(SIGNER, OTHER_LOG)
    ).sealed(f"{KEY}\n{OTHER_KEY}"),
    "note: the old one twice": TEXTS | {"new": OLD},
    "note: the new one twice": TEXTS | {"old": NEW},
    "note: one is empty": TEXTS | {"old": ""},
    "note: size with a leading zero, signed": TEXTS
    | {"old": SIGNER.sign(BASE.old.text().replace("\n6", "\n06"))},
    "note: no root, signed": TEXTS | {"new": SIGNER.sign(f"{LOG}\n11\n")},
}
