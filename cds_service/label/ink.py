"""Pieces of SVG 1.1, and the inks that a drawing may use: one tint at most, or black alone."""

from typing import NamedTuple
from xml.sax.saxutils import escape, quoteattr

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img"{label}>'


class Ink(NamedTuple):
    """The colours of a drawing: of its lines and of what is given; `hatched` for thermal paper."""

    line: str
    tint: str
    hatched: bool


PAPER = Ink("#1b1b1f", "#8fa3bf", hatched=False)
"""Black and one grey-blue tint, which prints as grey on a black-and-white printer."""
THERMAL = Ink("#000000", "#000000", hatched=True)
"""Black only: a thermal printer has no tints."""


def drawing(width: float, height: float, parts: list[str], ink: Ink, alt: str = "") -> str:
    """A whole SVG of that size in mm; `alt` is what it shows, in words."""
    label = f" aria-label={quoteattr(alt)}" if alt else ""
    head = HEAD.format(width=num(width), height=num(height), label=label)
    return "".join((head, _pattern(ink), *parts, "</svg>"))


def fill(ink: Ink) -> str:
    """The fill of what is given."""
    return "url(#hatch)" if ink.hatched else ink.tint


def line(
    x1: float, y1: float, x2: float, y2: float, width: float, ink: Ink, extra: str = ""
) -> str:
    """A straight line."""
    ends = f'x1="{num(x1)}" y1="{num(y1)}" x2="{num(x2)}" y2="{num(y2)}"'
    return f'<line {ends} stroke="{ink.line}" stroke-width="{num(width)}"{extra}/>'


def box(x: float, y: float, width: float, height: float, style: str) -> str:
    """A rectangle."""
    size = f'width="{num(width)}" height="{num(height)}"'
    return f'<rect x="{num(x)}" y="{num(y)}" {size} {style}/>'


def path(shape: str, style: str) -> str:
    """A path."""
    return f'<path d="{shape}" {style}/>'


def outline(ink: Ink, width: float = 0.5, fill: str = "none") -> str:
    """The style of a shape with a line around it."""
    return f'fill="{fill}" stroke="{ink.line}" stroke-width="{num(width)}"'


def words(x: float, y: float, text: str, size: float, ink: Ink, weight: int = 400) -> str:
    """Text that is centred at x and stands on y."""
    font = f'font-family="Noto Sans, sans-serif" font-size="{num(size)}" font-weight="{weight}"'
    place = f'x="{num(x)}" y="{num(y)}" text-anchor="middle"'
    return f'<text {place} {font} fill="{ink.line}">{escape(text)}</text>'


def num(value: float) -> str:
    """A number as short as SVG needs it, to a thousandth of a millimetre.

    >>> num(2.0), num(0.12345)
    ('2', '0.123')
    """
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _pattern(ink: Ink) -> str:
    if not ink.hatched:
        return ""
    stripe = line(0, 0, 0, 1.6, 0.5, ink)
    size = 'width="1.6" height="1.6" patternUnits="userSpaceOnUse"'
    return (
        f'<defs><pattern id="hatch" {size} patternTransform="rotate(45)">{stripe}</pattern></defs>'
    )
