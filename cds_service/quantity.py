"""Amounts with a UCUM unit, in Decimal arithmetic only.

Units: UCUM (https://ucum.org), the codes this service reads or writes. Factors are exact:
the avoirdupois pound is 0.45359237 kg (international yard and pound agreement, 1959) and a
Fahrenheit degree 5/9 of a Celsius degree.

>>> Quantity.of("3400", "g").to("kg")
Quantity(value=Decimal('3.4'), unit='kg')
>>> Quantity.of("100.4", "[degF]").to("Cel")
Quantity(value=Decimal('38'), unit='Cel')
"""

from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal

# unit -> (what it measures, factor to the reference unit of that dimension)
_UNITS: dict[str, tuple[str, Decimal]] = {
    "kg": ("mass", Decimal(1000)),
    "g": ("mass", Decimal(1)),
    "mg": ("mass", Decimal("0.001")),
    "[lb_av]": ("mass", Decimal("453.59237")),
    "Cel": ("temperature", Decimal(1)),
    "[degF]": ("temperature", Decimal(1)),
    "/min": ("rate", Decimal(1)),
    "{breaths}/min": ("rate", Decimal(1)),
    "%": ("fraction", Decimal(1)),
    "a": ("calendar-year", Decimal(1)),
    "mo": ("calendar-month", Decimal(1)),
    "wk": ("time", Decimal(10080)),
    "d": ("time", Decimal(1440)),
    "h": ("time", Decimal(60)),
    "min": ("time", Decimal(1)),
    "L": ("volume", Decimal(1000)),
    "mL": ("volume", Decimal(1)),
    "{tbl}": ("tablet", Decimal(1)),
    "[iU]": ("biological-unit", Decimal(1)),
    "mmol/L": ("amount-concentration", Decimal(1)),
    "mg/dL": ("mass-concentration", Decimal(1)),
}

_ONE = Decimal(1)
_DL_IN_L = Decimal(10)
_ROUNDINGS = {"nearest": ROUND_HALF_UP, "down": ROUND_FLOOR}


class QuantityError(ValueError):
    """A unit is unknown, or two quantities measure different things."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """An amount and its UCUM unit; `value` is exact."""

    value: Decimal
    unit: str

    @classmethod
    def of(cls, value: str | int | Decimal, unit: str) -> "Quantity":
        """Build from text or a whole number; a float is refused.

        Raises QuantityError when the unit is unknown or the value is not a finite number.
        """
        if isinstance(value, float):
            raise QuantityError("a float is not exact: give text, an int or a Decimal")
        if unit not in _UNITS:
            raise QuantityError(f"unknown unit {unit!r}")
        number = Decimal(value)
        if not number.is_finite():
            raise QuantityError(f"not a finite number: {value!r}")
        return cls(number, unit)

    def to(self, unit: str) -> "Quantity":
        """Return the same amount in another unit of the same kind, trailing zeros dropped.

        Raises QuantityError when the units measure different things.
        """
        if unit == self.unit:
            return Quantity(plain(self.value), unit)
        kind, factor = _known(self.unit)
        other_kind, other_factor = _known(unit)
        if kind != other_kind:
            raise QuantityError(f"{self.unit} cannot be turned into {unit}")
        if kind == "temperature":
            return Quantity(plain(_temperature(self.value, unit)), unit)
        return Quantity(plain(self.value * factor / other_factor), unit)

    def __str__(self) -> str:
        return f"{plain(self.value):f} {self.unit}"


def _known(unit: str) -> tuple[str, Decimal]:
    try:
        return _UNITS[unit]
    except KeyError:
        raise QuantityError(f"unknown unit {unit!r}") from None


def _temperature(value: Decimal, unit: str) -> Decimal:
    # Multiply first, divide last: a reading that is exact in Celsius stays exact.
    if unit == "Cel":
        return (value - 32) * 5 / 9
    return value * 9 / 5 + 32


def convertible(unit: str, to: str) -> bool:
    """Whether `unit` is known and measures the same as `to`.

    >>> convertible("g", "kg"), convertible("Cel", "kg"), convertible("stone", "kg")
    (True, False, False)
    """
    return unit in _UNITS and to in _UNITS and _UNITS[unit][0] == _UNITS[to][0]


def as_mass(moles: Quantity, molar_mass: Decimal) -> Quantity:
    """An amount of substance in a volume (mmol/L) as its mass in a volume (mg/dL), exactly.

    `molar_mass` is in g/mol, which is mg/mmol. Raises QuantityError for any other unit.

    >>> as_mass(Quantity.of("2.5", "mmol/L"), Decimal("180.156"))
    Quantity(value=Decimal('45.039'), unit='mg/dL')
    """
    if moles.unit != "mmol/L":
        raise QuantityError(f"{moles.unit} is no amount of substance in a volume")
    return Quantity(plain(moles.value * molar_mass / _DL_IN_L), "mg/dL")


def plain(value: Decimal) -> Decimal:
    """Drop trailing zeros without ever printing an exponent.

    >>> plain(Decimal("3.40")), plain(Decimal("1E+2")), plain(Decimal("-0.0"))
    (Decimal('3.4'), Decimal('100'), Decimal('0'))
    """
    short = value.normalize()
    if short != short.to_integral_value():
        return short
    return abs(short.quantize(_ONE)) if short == 0 else short.quantize(_ONE)


def to_step(value: Decimal, step: Decimal, rounding: str) -> Decimal:
    """Round to a measurable step: "nearest" (halves up), or "down".

    >>> to_step(Decimal("1.375"), Decimal("0.1"), "nearest")
    Decimal('1.4')
    >>> to_step(Decimal("2.0625"), Decimal("0.1"), "down")
    Decimal('2')
    >>> to_step(Decimal("1.2"), Decimal("0.5"), "nearest")
    Decimal('1')
    """
    return plain((value / step).quantize(_ONE, rounding=_ROUNDINGS[rounding]) * step)
