"""Setting a page in type: PDF (tagged, PDF/UA-1), SVG or PNG, by typst.

The same page gives the same bytes: its date is that of the decision, and only the fonts of this
package are used. Whether these have every character is asked before (`letters`).
"""

import threading
from dataclasses import asdict
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import orjson

from cds_service.label.icons import ICONS, icon_svg
from cds_service.label.ink import Ink
from cds_service.label.page import Page

if TYPE_CHECKING:
    from typst import Compiler

FONTS = Path(__file__).parent / "fonts"
_TEMPLATE = Path(__file__).parent / "sheet.typ"
_LOCK = threading.Lock()
"""One page at a time: a compiler holds what it sets, and is not made for two at once."""
_DOTS = 150
"""Of a PNG, to the inch."""


class Sheet(NamedTuple):
    """A page on a paper ("a6", "a5", "58mm"); `made` is the date that the file carries."""

    page: Page
    paper: str
    made: date
    ink: Ink
    wordless: bool = False


def pdf(sheet: Sheet) -> bytes:
    """The whole as PDF; every item of a label begins on a new sheet of paper."""
    return _set(sheet, "pdf", pdf_standards=["ua-1"], timestamp=0)[0]


def svg(sheet: Sheet) -> tuple[bytes, ...]:
    """The same as SVG, one for each sheet of paper."""
    return _set(sheet, "svg")


def png(sheet: Sheet) -> tuple[bytes, ...]:
    """The same as PNG, one for each sheet of paper."""
    return _set(sheet, "png", ppi=_DOTS)


def _set(sheet: Sheet, form: Literal["pdf", "svg", "png"], **more: Any) -> tuple[bytes, ...]:
    inputs = {"page": orjson.dumps(_data(sheet)).decode()}
    with _LOCK:
        made = _compiler().compile(format=form, sys_inputs=inputs, **more)
    sheets = made if isinstance(made, list) else [made]
    return tuple(bytes(each or b"") for each in sheets)


def _data(sheet: Sheet) -> dict[str, Any]:
    made = sheet.made
    said: dict[str, Any] = _dashed(asdict(sheet.page))
    return said | {
        "paper": sheet.paper,
        "wordless": sheet.wordless,
        "made": {"year": made.year, "month": made.month, "day": made.day},
        "icons": {name: icon_svg(name, ink=sheet.ink) for name in ICONS},
    }


def _dashed(value: Any) -> Any:
    """Names as typst writes them."""
    if isinstance(value, dict):
        return {name.replace("_", "-"): _dashed(each) for name, each in value.items()}
    return [_dashed(each) for each in value] if isinstance(value, (list, tuple)) else value


@cache
def _compiler() -> "Compiler":
    # Only who prints pays for it: seven megabytes of memory.
    import typst

    return typst.Compiler(str(_TEMPLATE), font_paths=[str(FONTS)], ignore_system_fonts=True)
