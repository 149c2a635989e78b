"""What a start would find where a log in SQLite is; nothing is written there.

A start tries a commit. Here it is only asked whether this user may write what the service writes,
and whether the disk has room.
"""

import os
import shutil
from pathlib import Path

from cds_service.audit.sqlite import checkpoint_of
from cds_service.audit.sqlite_file import prove_protected
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.sqlite_read_only import connection_to
from cds_service.audit.state import State
from cds_service.audit.witness import Witness, in_file
from cds_service.errors import LogUnavailable

_NEW = "not there yet: serve makes it"
_ROOM = 1024 * 1024
"""Bytes that a disk must have free: a trial commit in the write-ahead file and then in the file."""


def state_of(path: Path) -> State:
    """The file of a log and its folder, as this user may use them."""
    folder, wrong = _folder(path)
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        return State(0, False, _NEW, (*wrong, *_signed_for(path), *_room(folder, _ROOM)))
    except OSError as error:
        return State(0, False, "", (*wrong, f"{path} cannot be read: {error.strerror}"))
    used = (path, *(path.with_name(f"{path.name}{end}") for end in ("-wal", "-shm")))
    wrong += [f"{each} cannot be written by this user" for each in used if _is_shut(each)]
    if _is_left_open(path):
        return State(VERSION, False, _LEFT_OPEN, (*wrong, *_room(folder, _ROOM)))
    layout, fault = _layout(path)
    needed = size + _ROOM if layout == 1 else _ROOM
    if not fault and layout < VERSION:
        fault = _signed_for(path)
    wrong += [*fault, *_room(folder, needed)]
    return State(layout, layout == VERSION, _WORDS.get(layout, ""), tuple(wrong))


def list_of_tokens(path: Path) -> list[str]:
    """What is wrong with the file of used tokens; it need not be there."""
    begins = b"SQLite format 3\0"  # https://www.sqlite.org/fileformat.html, 1.3.1, from memory
    try:
        with path.open("rb") as file:
            if (head := file.read(len(begins))) and head != begins:
                return [f"{path} is no list of used tokens"]
    except FileNotFoundError:
        return []
    except OSError as error:
        return [f"{path} cannot be read: {error.strerror}"]
    return [f"{path} cannot be written by this user"] if _is_shut(path) else []


def _layout(path: Path) -> tuple[int, list[str]]:
    """The version of the tables, and what is wrong with them."""
    version = 0
    try:
        with connection_to(path, untouched=True) as connection:
            ((version,),) = connection.execute("PRAGMA user_version").fetchall()
            ((tables,),) = connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchall()
            if version == VERSION:
                prove_protected(connection, path)
    except LogUnavailable as error:
        return version, [str(error)]
    if version == 0 and tables:
        return 0, [f"the file {path} is a database of something else"]
    if not 0 <= version <= VERSION:
        told = f"the audit log {path} has layout {version}, this program writes layout {VERSION}"
        return version, [f"{told}: use the program that made it, or another file"]
    return version, []


def _signed_for(path: Path) -> list[str]:
    """A checkpoint beside a log that is not there, or is of a layout that had none, is of another.

    A start does not go on with it, and neither does it sign anew what was signed before.
    """
    beside = checkpoint_of(path)
    try:
        note = Witness(in_file(beside)).note()
    except LogUnavailable as error:
        return [str(error)]
    if not note:
        return []
    told = f"{beside} was signed for a log that is not here: put that one back"
    return [f"{told}. Only if there is none remove that file: callers hold what it says"]


def _is_left_open(path: Path) -> bool:
    """Whether a part is in the write-ahead file alone: to read it SQLite would make `-shm`."""
    ahead, shared = (path.with_name(f"{path.name}{end}") for end in ("-wal", "-shm"))
    return ahead.exists() and ahead.stat().st_size > 0 and not shared.exists()


_LEFT_OPEN = (
    "a part of it is in -wal alone, which only a start takes in: neither its layout nor its "
    "entries were looked at"
)
_WORDS = {
    0: "an empty file: serve makes the log in it",
    1: f"layout 1: serve brings it to layout {VERSION}, after which a program of before does not "
    "read it any more: make a copy while the service is stopped",
    VERSION: f"layout {VERSION}",
}


def _folder(path: Path) -> tuple[Path, list[str]]:
    """The folder, or the nearest one above it that is there, and what is wrong with it."""
    folder = path.absolute().parent
    while not os.path.lexists(folder) and folder != folder.parent:
        folder = folder.parent
    if not _is_folder(folder):
        return folder, [f"{folder} is a file, and a folder is needed"]
    if not os.access(folder, os.W_OK | os.X_OK):
        return folder, [f"in the folder {folder} this user cannot write"]
    return folder, []


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        return True  # it cannot be seen: that nothing can be written there is told


def _is_shut(path: Path) -> bool:
    return path.exists() and not os.access(path, os.R_OK | os.W_OK)


def _room(folder: Path, needed: int) -> list[str]:
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return []  # likewise
    if free >= needed:
        return []
    return [f"the disk of {folder} has {free // 1024} kB free, and {needed // 1024} are needed"]
