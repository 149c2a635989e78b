"""What every published artefact begins with."""

from cds_service.content.model import Message
from cds_service.content.text import render
from cds_service.content.treatment import Protocol
from cds_service.fhir.write_json import Json


def words(protocol: Protocol, key: str) -> str:
    """The text of a key without placeholders."""
    return render(protocol, Message(key))


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
