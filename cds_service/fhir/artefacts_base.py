"""What every published artefact begins with."""

from cds_service.content.memo import once
from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.fhir.write_json import Json


def words(protocol: Protocol, key: str) -> str:
    """The text of a key without placeholders."""
    return render(protocol, Message(key))


def heading(protocol: Protocol, code: str) -> str:
    """A code as words; what the names of the classes write in capitals stays so (HIV)."""
    capitals = once(protocol.made, "capitals", protocol, _capitals)
    first, *rest = code.split("-")
    return " ".join([capitals.get(first, first.capitalize()), *(capitals.get(w, w) for w in rest)])


def _capitals(protocol: Protocol) -> dict[str, str]:
    """The words that the names of the classes write in capitals, by themselves in small letters."""
    names = (text for key, text in protocol.text_by_key.items() if key.startswith("class."))
    return {word.lower(): word for name in names for word in name.split() if word.isupper()}


def head(protocol: Protocol, base: str, kind: str, code: str, name: str) -> Json:
    """Canonical address, version, names, and that it is a draft."""
    title = words(protocol, f"artefact.{name}.title")
    about = f"{words(protocol, f'artefact.{name}.description')} {words(protocol, 'artefact.draft')}"
    return headed(protocol, base, kind, code, title, about)


def headed(protocol: Protocol, base: str, kind: str, code: str, title: str, about: str) -> Json:
    """The same for what is no content: its texts are given, not looked up."""
    return {
        "resourceType": kind,
        "id": code,
        "language": "en",
        "url": f"{base}/{kind}/{code}",
        "version": protocol.name.partition("|")[2],  # with the adaptation
        "name": "".join(part.capitalize() for part in code.split("-")),
        "title": title,
        "status": "draft",
        "experimental": True,
        "publisher": words(protocol, "artefact.publisher"),
        "description": about,
    }
