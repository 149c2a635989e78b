"""translations/<language>.po: gettext catalogues, read with Babel.

msgctxt is the key of a text, msgid its English words, msgstr the translation. A translation counts
only while its msgid is the English text as it stands: when that changes, the English is used.
"""

import re
from datetime import date

from babel.localedata import exists
from babel.messages import Catalog
from babel.messages.pofile import PoFileError, read_po

from cds_service.content.bidi import language_runs_left
from cds_service.content.catalogue import Catalogue, Translation
from cds_service.content.desk import Desk

_FIELD = re.compile(r'"(Language|X-Reviewed-By|X-Review-Date):\s*(.*?)\s*(?:\\n)?"')
_CONTEXT = re.compile(r'msgctxt "(.*)"')


def read(path: str, data: bytes, desk: Desk) -> Catalogue | None:
    """One catalogue; faults go to the desk, and None means that it could not be read at all."""
    try:
        text = data.decode()
        found = parse(text)
    except UnicodeDecodeError:
        desk.fault(path, 1, "the file is not UTF-8; save it so")
    except PoFileError as error:
        desk.fault(path, error.lineno + 1, f"not a .po file here: {error}")
    else:
        if not exists(_tag(path).replace("-", "_")):
            named = "the file is named by no language; name it by its tag, such as sw.po"
            desk.fault(path, 1, named)
            return None
        _no_key_twice(path, text, desk)
        fields = _fields(path, text, desk)
        return Catalogue(
            file=path,
            language=_tag(path),
            runs_left=language_runs_left(_tag(path)),
            reviewed_by=fields.get("X-Reviewed-By", ""),
            translations=tuple(_translations(path, found, desk)),
        )
    return None


def parse(text: str) -> Catalog:
    """The catalogue as Babel has it. Raises PoFileError."""
    return read_po(text.splitlines(), charset="utf-8", abort_invalid=True)


def _tag(path: str) -> str:
    return path.rpartition("/")[2].removesuffix(".po")


def _translations(path: str, found: Catalog, desk: Desk) -> list[Translation]:
    made = []
    for message in found:
        if not message.id:
            continue
        if not isinstance(message.id, str) or not message.context:
            desk.fault(path, message.lineno or 1, "msgctxt is the key of one text, without plurals")
            continue
        text, line = str(message.string or ""), message.lineno or 1
        made.append(Translation(message.context, message.id, text, message.fuzzy, line))
    return made


def _no_key_twice(path: str, text: str, desk: Desk) -> None:
    seen: set[str] = set()
    for number, line in enumerate(text.splitlines(), 1):
        match = _CONTEXT.fullmatch(line.strip())
        if match is not None and match[1] in seen:
            desk.fault(path, number, f"{match[1]} is translated twice; keep one")
        if match is not None:
            seen.add(match[1])


def _fields(path: str, text: str, desk: Desk) -> dict[str, str]:
    """The fields of the header that we read."""
    found: dict[str, str] = {}
    for number, line in enumerate(text.partition("\n\n")[0].splitlines(), 1):
        match = _FIELD.fullmatch(line.strip())
        if match is None:
            continue
        name, value = match.groups()
        found[name] = value
        if name == "Language" and value.replace("_", "-") != _tag(path):
            desk.fault(path, number, f"Language is {value}, but the file is {_tag(path)}.po")
        if name == "X-Review-Date" and value and not _is_date(value):
            desk.fault(path, number, "X-Review-Date is a date such as 2026-05-01")
    if "Language" not in found:
        desk.fault(path, 1, f"the header has no Language; write Language: {_tag(path)}")
    if bool(found.get("X-Reviewed-By")) != bool(found.get("X-Review-Date")):
        desk.fault(path, 1, "a review has both X-Reviewed-By and X-Review-Date; a draft, neither")
    return found


def _is_date(value: str) -> bool:
    try:
        return date.fromisoformat(value).isoformat() == value
    except ValueError:
        return False
