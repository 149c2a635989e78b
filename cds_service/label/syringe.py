"""A syringe drawn to scale: its marks, and the plunger at the exact amount."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from cds_service.content.syringe import Syringe
from cds_service.engine.phrase import number
from cds_service.label.ink import PAPER, Ink, box, drawing, fill, line, num, outline, path, words

SCALE = 72.0
"""Length of the whole scale in mm."""
_LEFT, _TOP, _BORE = 9.0, 8.5, 9.0  # where the scale begins; the barrel
_WIDTH, _HEIGHT = _LEFT + SCALE + 28.0, 23.0
_SEAL = 2.4
_SMALL_PAPER = 1.6
"""How much larger letters are on thermal paper, where the whole is drawn half as wide."""


def fillings(volume: Decimal, syringes: Sequence[Syringe]) -> tuple[tuple[Syringe, Decimal], ...]:
    """In which syringe, and up to which mark (mL); more than one filling when none holds it all.

    The smallest that holds it and has a mark at it; if none has, the smallest that holds it.
    `syringes` are those of the content, the smallest first; none when it has none.
    """
    if not syringes or volume <= 0:
        return ()
    largest, full = syringes[-1], syringes[-1].holds.value
    if volume > full:
        return ((largest, full), *fillings(volume - full, syringes))
    holding = [each for each in syringes if volume <= each.holds.value]
    exact = [each for each in holding if each.has_mark(volume)]
    return (((exact or holding)[0], volume),)


def syringe_svg(syringe: Syringe, volume: Decimal, *, ink: Ink = PAPER, alt: str = "") -> str:
    """The syringe as SVG, filled with that many mL. Raises ValueError when it does not hold it."""
    if not 0 <= volume <= syringe.holds.value:
        raise ValueError(f"a {syringe.holds.quantity} syringe does not hold {volume} mL")
    level = _place(syringe, volume)
    parts = [*_barrel(ink, level), *_scale(syringe, ink), *_plunger(ink, level)]
    parts.append(_pointer(ink, level))
    large = _SMALL_PAPER if ink.hatched else 1.0
    parts.append(words(level, 3.6, f"{number(volume)} mL", 4.2 * large, ink, 700))
    room = 2.5 * (large - 1)
    moved = f'<g transform="translate(0 {num(room)})">{"".join(parts)}</g>'
    return drawing(_WIDTH, _HEIGHT + 2 * room, [moved], ink, alt)


def _place(syringe: Syringe, volume: Decimal) -> float:
    """How far from the left a volume stands."""
    return _LEFT + SCALE * float(volume / syringe.holds.value)


def _barrel(ink: Ink, level: float) -> Iterator[str]:
    end = _LEFT + SCALE + 4
    yield box(_LEFT, _TOP, level - _LEFT, _BORE, f'fill="{fill(ink)}" class="dose"')
    yield box(_LEFT, _TOP, end - _LEFT, _BORE, outline(ink, 0.6))
    middle = _TOP + _BORE / 2
    tip = f"M{num(_LEFT)} {num(middle - 2)}L2 {num(middle - 1)}V{num(middle + 1)}"
    yield path(f"{tip}L{num(_LEFT)} {num(middle + 2)}Z", outline(ink, 0.6, fill(ink)))
    yield line(end, _TOP - 2, end, _TOP + _BORE + 2, 1.4, ink)


def _scale(syringe: Syringe, ink: Ink) -> Iterator[str]:
    every, numbered = syringe.marks.value, syringe.numbers.value
    size = 2.6 * (_SMALL_PAPER if ink.hatched else 1.0)
    # Where numbers would touch, only every second has room.
    apart = _place(syringe, numbered) - _LEFT
    shown = numbered if apart > 2 * size else numbered * 2
    for count in range(int(syringe.holds.value / every) + 1):
        volume = every * count
        x, has_number = _place(syringe, volume), volume % numbered == 0
        reach = 4.0 if has_number else 2.2
        bottom = _TOP + _BORE
        yield line(x, bottom, x, bottom - reach, 0.4, ink, f' class="mark" data-ml="{volume}"')
        if volume % shown == 0 and count:
            yield words(x, bottom + size + 0.2, number(volume), size, ink)


def _plunger(ink: Ink, level: float) -> Iterator[str]:
    solid, middle = f'fill="{ink.line}"', _TOP + _BORE / 2
    yield box(level, _TOP + 0.3, _SEAL, _BORE - 0.6, f'{solid} class="level"')
    yield line(level + _SEAL, middle - 1.5, _WIDTH - 2, middle - 1.5, 0.5, ink)
    yield line(level + _SEAL, middle + 1.5, _WIDTH - 2, middle + 1.5, 0.5, ink)
    yield line(_WIDTH - 1.2, _TOP, _WIDTH - 1.2, _TOP + _BORE, 1.6, ink)


def _pointer(ink: Ink, level: float) -> str:
    shape = f"M{num(level)} {num(_TOP - 0.6)}L{num(level - 1.6)} {num(_TOP - 3.6)}"
    return path(f"{shape}H{num(level + 1.6)}Z", f'fill="{ink.line}"')
