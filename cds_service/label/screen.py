"""A label or leaflet for the screen: its sheets as they are printed, and its words for readers.

The sheets are outlines, which no screen reader reads aloud; so the words stand beside them, out
of sight. Every word is escaped: a name is never markup.
"""

from collections.abc import Iterator, Sequence
from html import escape

from cds_service.label.page import Item, Page

_STYLE = (
    "body{margin:0;background:#e8e8ea;font-family:sans-serif}"
    "main{display:flex;flex-wrap:wrap;gap:1.5rem;justify-content:center;padding:1.5rem}"
    "figure{margin:0;background:#fff;box-shadow:0 1px 4px #0003}"
    "figure svg{display:block;max-width:100%;height:auto}"
    ".read{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}"
    "@media print{body{background:none}main{display:block;padding:0}"
    "figure{box-shadow:none;break-after:page}}"
)


def html(page: Page, sheets: Sequence[bytes]) -> bytes:
    """The whole document; it fetches nothing and runs nothing."""
    direction = "rtl" if page.runs_left else "ltr"
    figures = "".join(f'<figure aria-hidden="true">{each.decode()}</figure>' for each in sheets)
    read = "".join(f"<p>{escape(each)}</p>" for each in words(page))
    text = (
        f'<!doctype html><html lang="{escape(page.language)}" dir="{direction}">'
        f'<head><meta charset="utf-8"><title>{escape(page.head.title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head>'
        f'<body><div class="read"><h1>{escape(page.head.title)}</h1>{read}</div>'
        f"<main>{figures}</main></body></html>\n"
    )
    return text.encode()


def words(page: Page) -> Iterator[str]:
    """All that a page says, in the order in which it is read."""
    head = page.head
    yield from filter(None, (head.infant, head.clinic, head.made, head.weight, *head.warnings))
    for item in page.items:
        yield from _item(item)
    for section in page.sections:
        yield from (section.heading, *section.lines)
    yield from (*head.foot, *filter(None, (head.foot_english,)))


def _item(item: Item) -> Iterator[str]:
    yield from filter(None, (item.name, item.also, *item.notes, item.figure, item.amount))
    yield from (*item.how, *(each.alt for each in item.pictures))
    for day in item.days:
        yield f"{day.name}: {', '.join(at.time for at in day.times)}"
    yield from (*item.steps, *filter(None, (item.discard,)))
