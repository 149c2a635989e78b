"""Tablets drawn whole, in halves or in quarters: what is given is filled, the rest dashed."""

from collections.abc import Iterator
from decimal import Decimal
from math import cos, pi, sin

from cds_service.label.ink import PAPER, Ink, drawing, fill, line, num, outline, path

_RADIUS, _STEP = 9.0, 22.0
_QUARTER = Decimal("0.25")


def tablets_svg(count: Decimal, *, ink: Ink = PAPER, alt: str = "") -> str:
    """So many tablets in a row as SVG. Raises ValueError unless it is so many quarters."""
    if count <= 0 or count % _QUARTER:
        raise ValueError(f"{count} tablets cannot be drawn")
    whole, part = int(count), count % 1
    shares = [Decimal(1)] * whole + ([part] if part else [])
    parts = [each for place, share in enumerate(shares) for each in _tablet(place, share, ink)]
    return drawing(_STEP * len(shares), 20.0, parts, ink, alt)


def _tablet(place: int, share: Decimal, ink: Ink) -> Iterator[str]:
    x, y = _STEP * place + _STEP / 2, 10.0
    rest = f'{outline(ink, 0.4)} stroke-dasharray="1.2 1"'
    shape = _sector(x, y, 1.0)
    if share == 1:
        yield path(shape, f'{outline(ink, 0.6, fill(ink))} class="given"')
    else:
        yield path(shape, rest)
        yield path(_sector(x, y, float(share)), f'{outline(ink, 0.6, fill(ink))} class="given"')
    yield line(x, y - _RADIUS, x, y + _RADIUS, 0.4, ink)
    if share % Decimal("0.5"):
        yield line(x - _RADIUS, y, x + _RADIUS, y, 0.4, ink)


def _sector(x: float, y: float, share: float) -> str:
    """The left part of a circle, from its top; all of it for a share of 1."""
    top = f"{num(x)} {num(y - _RADIUS)}"
    arc = f"A{num(_RADIUS)} {num(_RADIUS)} 0"
    if share == 1:
        bottom = f"{num(x)} {num(y + _RADIUS)}"
        return f"M{top}{arc} 0 0 {bottom}{arc} 0 0 {top}Z"
    turned = 2 * pi * share
    end = f"{num(x - _RADIUS * sin(turned))} {num(y - _RADIUS * cos(turned))}"
    return f"M{num(x)} {num(y)}L{top}{arc} {int(share > 0.5)} 0 {end}Z"
