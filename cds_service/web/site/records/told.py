"""Recorded answers that are no Bundle of proposals: the cards of CDS Hooks, the referral note."""

from collections.abc import Iterable, Iterator, Mapping
from html.parser import HTMLParser
from typing import Any, NamedTuple

Json = Mapping[str, Any]
_BLOCKS = frozenset({"li", "p", "tr", "h1", "h2", "h3", "br"})
_INDICATORS = {"critical": "to be seen at once", "warning": "to beware of", "info": "to know"}


class Part(NamedTuple):
    """Lines under a heading ("" when they need none), as text."""

    heading: str
    lines: tuple[str, ...]


class Section(NamedTuple):
    """A card, or a section of a note."""

    title: str
    remark: str
    parts: tuple[Part, ...]


def cards(answer: Json) -> list[Section]:
    """The cards of CDS Hooks 2.0, each as a section."""
    return [_card(card) for card in answer.get("cards", ())]


def _card(card: Json) -> Section:
    parts = _parts(card.get("detail", ""))
    offered = tuple(each.get("label", "") for each in card.get("suggestions", ()))
    if offered:
        parts = (*parts, Part("Suggested", offered))
    indicator = str(card.get("indicator", ""))
    return Section(card.get("summary", ""), _INDICATORS.get(indicator, indicator), parts)


def _parts(detail: str) -> tuple[Part, ...]:
    """Markdown of the kind that we write: paragraphs, lists, and lines in bold as headings.

    >>> _parts("One.\\n\\n**Care**\\n\\n- Warm\\n- Fed")
    (Part(heading='', lines=('One.',)), Part(heading='Care', lines=('Warm', 'Fed')))
    """
    parts: list[tuple[str, list[str]]] = [("", [])]
    for line in filter(None, map(str.strip, detail.split("\n"))):
        if line.startswith("**") and line.endswith("**"):
            parts.append((line.strip("*"), []))
        else:
            parts[-1][1].append(line.removeprefix("- "))
    return tuple(Part(heading, tuple(lines)) for heading, lines in parts if heading or lines)


def note(answer: Json) -> list[Section]:
    """The sections of a referral note, those within others after them."""
    resources = (entry["resource"] for entry in answer.get("entry", ()))
    compositions = [each for each in resources if each["resourceType"] == "Composition"]
    return [part for each in compositions for part in _sections(each.get("section", ()))]


def _sections(sections: Iterable[Json]) -> Iterator[Section]:
    for section in sections:
        narrative = section.get("text", {}).get("div", "")
        yield Section(section.get("title", ""), "", (Part("", lines_of(narrative)),))
        yield from _sections(section.get("section", ()))


def lines_of(narrative: str) -> tuple[str, ...]:
    """The lines of a narrative, as text without its marks.

    >>> lines_of("<div><ul><li>Age: 12 days</li><li>5 &lt; 6</li></ul></div>")
    ('Age: 12 days', '5 < 6')
    """
    reader = _Lines()
    reader.feed(narrative)
    reader.close()
    return tuple(filter(None, ("".join(line).strip() for line in reader.lines)))


class _Lines(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.lines: list[list[str]] = [[]]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        if tag in _BLOCKS:
            self.lines.append([])
        elif tag == "td":
            self.lines[-1].append(" ")

    def handle_endtag(self, tag: str) -> None:
        if tag in _BLOCKS:
            self.lines.append([])

    def handle_data(self, data: str) -> None:
        self.lines[-1].append(data)
