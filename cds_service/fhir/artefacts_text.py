"""Texts of artefacts with their translations, where the catalogues have them.

FHIR R4 languages.html: the extension `translation` of a text, and `designation` of a concept.
"""

from collections.abc import Iterator

from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_base import words
from cds_service.fhir.write_json import Json

_TRANSLATION = "http://hl7.org/fhir/StructureDefinition/translation"


def translated_text(protocol: Protocol, key: str, element: str = "text") -> Json:
    """An element with the text of a key and, beside it, every translation there is."""
    made: Json = {element: words(protocol, key)}
    extensions = [
        {
            "url": _TRANSLATION,
            "extension": [
                {"url": "lang", "valueCode": language},
                {"url": "content", "valueString": text},
            ],
        }
        for language, text in _translations(protocol, key)
    ]
    return made | ({f"_{element}": {"extension": extensions}} if extensions else {})


def designations(protocol: Protocol, key: str) -> Json:
    """The same as the designations of a concept; nothing when there is no translation."""
    found = [{"language": tag, "value": text} for tag, text in _translations(protocol, key)]
    return {"designation": found} if found else {}


def _translations(protocol: Protocol, key: str) -> Iterator[tuple[str, str]]:
    """The translations that count (reviewed or draft) of a text without placeholders."""
    for language, texts in sorted(protocol.words_by_language.items()):
        if key in texts:
            yield language, texts[key]
