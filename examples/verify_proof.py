#!/usr/bin/env python3
"""Verify proofs of the log of recommendations, offline, with Python and `cryptography` only.

    verify_proof.py KEY entry PROOF LEAF [OPENING REQUEST RESPONSE]
    verify_proof.py KEY growth OLD-CHECKPOINT NEW-CHECKPOINT PROOF

KEY is what the log's signatures are verified with (name+id+base64), from somebody you trust, or a
file of such lines. `entry`: the record in LEAF is in the log; with the opening also that it is of
exactly this request and response. `growth`: nothing was altered or removed since OLD-CHECKPOINT.
Exit code 0: shown; 1: NOT shown; 2: could not be run (usage, a file that cannot be read).
"""

import base64
import json
import re
import sys
from hashlib import sha256
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def demand(condition, otherwise):
    if not condition:
        raise ValueError(otherwise)


def unbase64(text, size=0):
    value = base64.b64decode(text, validate=True)
    demand(value and base64.b64encode(value).decode() == text, "a line is not proper base64")
    demand(size in (0, len(value)), f"expected {size} bytes, found {len(value)}")
    return value


def number(line, name=""):
    demand(re.fullmatch(f"{name}(0|[1-9][0-9]{{0,18}})", line), f"expected {name}and a number")
    return int(line[len(name) :])


def plain(path):
    text = Path(path).read_bytes().decode()
    demand(not re.search(r"[\x00-\x09\x0b-\x1f]", text), f"{path} has control characters in it")
    return text


def read_keys(argument):
    keys = {}
    for line in plain(argument).split() if Path(argument).is_file() else [argument]:
        name, key_id, encoded = line.split("+", 2)
        key = unbase64(encoded, 33)
        right = sha256(name.encode() + b"\n" + key).digest()[:4]
        demand(key[0] == 1 and name and right.hex() == key_id, "KEY is no proper Ed25519 key")
        keys[name, right] = Ed25519PublicKey.from_public_bytes(key[1:])
    return keys


def checkpoint(note, keys):
    """Origin, size and root of a checkpoint that a known key signed (C2SP signed-note)."""
    end = note.rfind("\n\n") + 1
    text, lines, signers = note[:end], note[end + 1 :].split("\n"), set()
    demand(end and lines.pop() == "" and 0 < len(lines) <= 64, "a checkpoint is no signed note")
    for line in lines:
        found = re.fullmatch("\u2014 ([^\\s+]+) (\\S+)", line)
        signature = unbase64(found[2]) if found else b""
        demand(len(signature) > 4, "a checkpoint has a line that is no signature")
        if key := keys.get((found[1], signature[:4])):
            key.verify(signature[4:], text.encode())
            signers.add(found[1])
    origin, size, root, *more = text[:-1].split("\n")
    demand(origin in signers, "a checkpoint is not signed by a key of its log that you know")
    empty = size == "0" and unbase64(root) != sha256().digest()
    demand(all(more) and not empty, "a checkpoint has an empty line, or no root of an empty log")
    return origin, number(size), unbase64(root, 32)


def climb(at, last, path):
    """The old and the new root above the first hash (RFC 9162 sections 2.1.3.2, 2.1.4.2)."""
    old = new = path[0]
    for other in path[1:]:
        demand(last, "the path is too long")
        up = (at & -at).bit_length() if at == last else 1  # past levels without a sibling
        if at & 1 or at == last:
            old, new = (sha256(b"\x01" + other + below).digest() for below in (old, new))
        else:
            new = sha256(b"\x01" + new + other).digest()
        at, last = at >> up, last >> up
    demand(not last, "the path is too short")
    return old, new


def entry(keys, proof, leaf, *payload):
    head, _, note = plain(proof).partition("\n\n")
    lines = head.split("\n")
    demand(lines.pop(0) == "c2sp.org/tlog-proof@v1", "the proof is no inclusion proof")
    if lines and lines[0].startswith("extra "):
        unbase64(lines.pop(0)[6:])  # it is not authenticated: nothing is made of it
    index = number("".join(lines[:1]), "index ")
    path = [unbase64(line, 32) for line in lines[1:]]
    origin, size, root = checkpoint(note, keys)
    demand(index < size, f"a log of {size} entries has no entry {index}")
    record = Path(leaf).read_bytes()
    _, reached = climb(index, size - 1, [sha256(b"\0" + record).digest(), *path])
    demand(reached == root, "the path does not lead from this record to the root")
    if payload:
        opening, request, answer = (Path(name).read_bytes() for name in payload)
        known = json.loads(opening)
        demand(known["index"] == index, "the opening is of another record")
        parts = (sha256(part).digest() for part in (request, answer, bytes(known["rest"], "utf-8")))
        salted = b"cds-service payload 2\n" + bytes.fromhex(known["salt"]) + b"".join(parts)
        found = [v for n, v in json.loads(record, object_pairs_hook=list) if n == "commitment"]
        demand(found == [sha256(salted).hexdigest()], "the record is not of these payloads")
    what = "record, request and response are those" if payload else "the record is that"
    return f"{what} of entry {index} in the log {origin}, signed with {size} entries"


def growth(keys, old_note, new_note, proof):
    old_log, old, old_root = checkpoint(plain(old_note), keys)
    log, new, root = checkpoint(plain(new_note), keys)
    first, *lines = plain(proof).split("\n")
    demand(first == "cds-service/consistency-proof@v1" and lines.pop() == "", "no such proof")
    sizes = [number("".join(lines[:1]), "old "), number("".join(lines[1:2]), "new ")]
    path = [unbase64(line, 32) for line in lines[2:]]
    demand(old_log == log and sizes == [old, new] and old <= new, "they do not belong together")
    if 0 < old < new:
        path = [old_root] * (old & (old - 1) == 0) + path
        demand(path, "the path is empty")
        low = (old & -old).bit_length() - 1  # levels above which the border is no right side
        demand(climb((old - 1) >> low, (new - 1) >> low, path) == (old_root, root), "other roots")
    else:
        demand(not path and (not old or old_root == root), "two logs of one size differ")
    return f"the {old} entries of the old checkpoint are in the log {log} of {new}, unaltered"


def main(*arguments):
    kinds = {("entry", 4): entry, ("entry", 7): entry, ("growth", 5): growth}
    show = kinds.get(("".join(arguments[1:2]), len(arguments)))
    try:
        shown = show(read_keys(arguments[0]), *arguments[2:]) if show else ""
    except (InvalidSignature, ValueError, TypeError, LookupError, RecursionError) as e:
        return f"NOT SHOWN: {str(e) or 'a signature is wrong'}", 1
    except OSError as error:
        return f"NOT RUN: {error}", 2
    return (f"SHOWN: {shown}.", 0) if show else (__doc__, 2)


if __name__ == "__main__":
    message, code = main(*sys.argv[1:])
    print(message)
    sys.exit(code)
