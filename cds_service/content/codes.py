"""Whether a code is well formed: a slip of one digit or two swapped ones is caught.

LOINC: number and check digit, mod 10 (LOINC Users' Guide, appendix on check digits).
SNOMED CT: identifier with Verhoeff check digit (SNOMED CT Release File Specification).
ATC: five levels, letter - two digits - letter - letter - two digits (WHO Collaborating Centre
for Drug Statistics Methodology, ATC structure).
"""

import re

_LOINC = re.compile(r"[1-9]\d{0,6}-\d", re.ASCII)
_SNOMED = re.compile(r"[1-9]\d{5,17}", re.ASCII)
_ATC = re.compile(r"[A-Z]\d\d[A-Z][A-Z]\d\d", re.ASCII)
_ATC_GROUP = re.compile(r"[A-Z](?:\d\d(?:[A-Z](?:[A-Z](?:\d\d)?)?)?)?", re.ASCII)

# Verhoeff: multiplication in the dihedral group D5, and the permutation of each position.
_TIMES = (
    "0123456789",
    "1234067895",
    "2340178956",
    "3401289567",
    "4012395678",
    "5987604321",
    "6598710432",
    "7659821043",
    "8765932104",
    "9876543210",
)
_TURNS = (
    "0123456789",
    "1576283094",
    "5803796142",
    "8916043527",
    "9453126870",
    "4286573901",
    "2793806415",
    "7046913258",
)


def is_loinc(code: str) -> bool:
    """Whether the LOINC number ends in its check digit.

    >>> is_loinc("29463-7"), is_loinc("29463-8"), is_loinc("24963-7"), is_loinc("29463")
    (True, False, False, False)
    """
    if not _LOINC.fullmatch(code):
        return False
    digits = [int(digit) for digit in reversed(code.replace("-", ""))]
    doubled = sum(sum(divmod(2 * digit, 10)) for digit in digits[1::2])
    return (doubled + sum(digits[::2])) % 10 == 0


def is_snomed(code: str) -> bool:
    """Whether the SNOMED CT identifier ends in its check digit.

    >>> is_snomed("91936005"), is_snomed("91936006"), is_snomed("91963005"), is_snomed("7")
    (True, False, False, False)
    """
    if not _SNOMED.fullmatch(code):
        return False
    check = 0
    for place, digit in enumerate(reversed(code)):
        check = int(_TIMES[check][int(_TURNS[place % 8][int(digit)])])
    return check == 0


def is_atc(code: str) -> bool:
    """Whether the code is one of a substance (the fifth level).

    >>> is_atc("J01CA04"), is_atc("J01CA")
    (True, False)
    """
    return _ATC.fullmatch(code) is not None


def is_atc_group(code: str) -> bool:
    """Whether the code is one of a group at any level, down to one substance.

    >>> is_atc_group("J01C"), is_atc_group("J01CA04"), is_atc_group("J1C")
    (True, True, False)
    """
    return _ATC_GROUP.fullmatch(code) is not None
