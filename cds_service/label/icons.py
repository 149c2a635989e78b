"""Small line drawings that are read without letters; 20 x 20 mm each."""

from collections.abc import Callable, Iterator

from cds_service.label.ink import PAPER, Ink, box, drawing, fill, line, num, outline, path

_SIZE = 20.0
_CENTRE = 10.0
_DAY_FROM, _DAY_UNTIL = 6, 18


def icon_svg(name: str, *, ink: Ink = PAPER, alt: str = "") -> str:
    """One of ICONS as SVG; raises KeyError when there is none of that name."""
    return drawing(_SIZE, _SIZE, list(ICONS[name](ink)), ink, alt)


def of_hour(hour: int) -> str:
    """Sun or moon: which of them a dose at that hour is marked with."""
    return "sun" if _DAY_FROM <= hour < _DAY_UNTIL else "moon"


def _sun(ink: Ink) -> Iterator[str]:
    yield f'<circle cx="10" cy="10" r="4.4" {outline(ink, 1.3)}/>'
    for turn in range(0, 360, 45):
        ray = line(_CENTRE, 1.2, _CENTRE, 3.8, 1.3, ink)
        yield f'<g transform="rotate({turn} 10 10)">{ray}</g>'


def _moon(ink: Ink) -> Iterator[str]:
    yield path("M13 2.5A8 8 0 1 0 17.5 14A6.6 6.6 0 0 1 13 2.5Z", f'fill="{ink.line}"')


def _mouth(ink: Ink) -> Iterator[str]:
    """A face with an open mouth, and a drop over it."""
    yield f'<circle cx="9" cy="11" r="8" {outline(ink, 0.9)}/>'
    yield from _dots(ink, (6, 8.6), (12, 8.6))
    yield f'<ellipse cx="9" cy="14.4" rx="2.6" ry="2" fill="{ink.line}"/>'
    yield path("M17.2 1C19 4 19.4 4.8 19.4 6A2.2 2.2 0 0 1 15 6C15 4.8 15.4 4 17.2 1Z",
               outline(ink, 0.7, fill(ink)))  # fmt: skip


def _thigh(ink: Ink) -> Iterator[str]:
    """A leg, and a needle at the outer side of the middle of the thigh."""
    leg = "M4 3C9 2 12 3.4 12.5 7L12 12.5L13 18H8.6L7.4 12.6C5.6 10.4 4.4 7 4 3Z"
    yield path(leg, outline(ink, 0.9))
    yield line(12.4, 7.6, 15, 6.9, 0.7, ink)
    body = box(15, 5.4, 4, 2.6, outline(ink, 0.7, fill(ink)))
    yield f'<g transform="rotate(-14 15 6.9)">{body}</g>'


def _bottle(ink: Ink) -> Iterator[str]:
    """A bottle that is shaken."""
    body = "M8 2H12V5L14 7.4V17.6H6V7.4L8 5Z"
    shaken = path(body, outline(ink, 0.9)) + box(6.4, 11, 7.2, 6.2, f'fill="{fill(ink)}"')
    yield f'<g transform="rotate(18 10 10)">{shaken}</g>'
    for x, turn in ((1.4, 1), (18.6, -1)):
        bow = f"M{num(x)} 6Q{num(x - turn * 1.6)} 10 {num(x)} 14"
        yield path(bow, outline(ink, 0.8))


def _spoon(ink: Ink) -> Iterator[str]:
    """A tablet over a spoon with a little water or milk."""
    yield f'<circle cx="7" cy="4" r="2.8" {outline(ink, 0.8, fill(ink))}/>'
    yield line(7, 1.2, 7, 6.8, 0.4, ink)
    yield path("M1.4 11H12.6C12.6 15.4 10 17.4 7 17.4S1.4 15.4 1.4 11Z", outline(ink, 0.9))
    yield path("M2.4 13.2Q4.7 12.2 7 13.2T11.6 13.2", outline(ink, 0.6))
    yield line(12.6, 11, 19.2, 8, 1.4, ink)


def _house(ink: Ink) -> Iterator[str]:
    """The clinic, and the way to it."""
    yield path("M1.6 9.4L10 2L18.4 9.4M4 8V18H16V8", outline(ink, 1.0))
    yield path("M8.2 18V12.4H11.8V18", outline(ink, 0.8, fill(ink)))


def _dots(ink: Ink, *places: tuple[float, float]) -> Iterator[str]:
    for x, y in places:
        yield f'<circle cx="{num(x)}" cy="{num(y)}" r="0.9" fill="{ink.line}"/>'


ICONS: dict[str, Callable[[Ink], Iterator[str]]] = {
    "sun": _sun,
    "moon": _moon,
    "mouth": _mouth,
    "thigh": _thigh,
    "bottle": _bottle,
    "spoon": _spoon,
    "house": _house,
}
"""By name: the drawing of each."""
