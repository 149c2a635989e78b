"""Writes a catalogue anew from the English texts: what a translator opens.

New texts come in empty. A translation whose English changed stays as fuzzy, with the English that
it was made from beside it. One whose text is gone stays at the end of the file as obsolete. The
header and the translators' comments are kept as they are.
"""

from collections.abc import Iterator, Sequence
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

from babel.messages import Catalog
from babel.messages.catalog import Message
from babel.messages.pofile import denormalize, write_po

from cds_service.content.desk import Desk, Names
from cds_service.content.parse_catalogue import parse, read
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError

_HEADER = """\
# What the caregiver hears and reads. msgctxt is the key of a text; leave it and msgid as they are.
# Keep each {{placeholder}}; type no number that the English has not. Digits stay 0-9.
# Until a reviewer's name and date stand here, the texts are marked as a draft.
msgid ""
msgstr ""
"Language: {language}\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"X-Reviewed-By: \\n"
"X-Review-Date: \\n"
"""


class Written(NamedTuple):
    """A catalogue that was written, and how much of it is left to do."""

    path: Path
    texts: int
    without: int
    changed: int
    """Translations that are not used: of another English text, or marked by the translator."""


def update(protocol: Protocol, folder: Path, languages: Sequence[str]) -> Iterator[Written]:
    """Write the catalogues of these languages (none given: of every language there is).

    Raises ContentError when a file cannot be read, or a language is no language tag.
    """
    texts = folder / "translations"
    for path in [texts / f"{tag}.po" for tag in languages] or sorted(texts.glob("*.po")):
        name = path.relative_to(folder).as_posix()
        before = path.read_bytes() if path.is_file() else header(path.stem).encode()
        desk = Desk(Names())
        if read(name, before, desk) is None or desk.findings:
            raise ContentError(desk.findings)
        text, catalogue = renewed(protocol, before.decode())
        path.write_text(text, encoding="utf-8")
        messages = [message for message in catalogue if message.id]
        without = sum(not message.string for message in messages)
        changed = sum(message.fuzzy for message in messages)
        yield Written(path, len(messages), without, changed)


def header(language: str) -> str:
    """What a new catalogue begins with."""
    return _HEADER.format(language=language)


def renewed(protocol: Protocol, before: str) -> tuple[str, Catalog]:
    """The text of a catalogue, made of the English texts and of the file as it was before."""
    old, english = parse(before), dict(protocol.texts)
    left = {message.context: message for message in (*old.obsolete.values(), *old) if message.id}
    new = Catalog(charset="utf-8")
    for key in protocol.caregiver_keys:
        _take_over(new, key, english[key], left.pop(key, None))
    new.obsolete.update(
        (each.context, each) for each in left.values() if each.context and each.string
    )
    buffer = BytesIO()
    write_po(buffer, new, width=100, omit_header=True, include_previous=True)
    head = before.partition("\n\n")[0].strip()
    return f"{head}\n\n{buffer.getvalue().decode().strip()}\n", new


def _take_over(new: Catalog, key: str, english: str, before: Message | None) -> None:
    made = new.add(english, context=key)
    if before is None:
        return
    made.string = before.string
    made.user_comments = [each for each in before.user_comments if not each.startswith("|")]
    if before.string and before.id != english:
        made.flags.add("fuzzy")
        made.previous_id = [str(before.id)]
    elif before.fuzzy:
        made.flags.add("fuzzy")
        made.previous_id = _previous(before)


def _previous(message: Message) -> list[str]:
    """The English that a fuzzy translation was made from; Babel reads it as comments."""
    lines = [each[1:].strip() for each in message.user_comments if each.startswith("|")]
    return [denormalize("\n".join(lines).removeprefix("msgid "))] if lines else []
