"""Makes the fonts of the labels again: `python -m tests.label.make_fonts FOLDER`.

FOLDER has the Noto fonts as Debian's package fonts-noto-core 20201225-1 installs them (in
share/fonts/truetype/noto). Of each are kept the characters of `RANGES`, with every rule for
joining and stacking them; the rest and the hints for screens are left out. Beside the fonts is
written which characters they have. Same fonts, same fontTools, same bytes.
"""

import argparse
import json
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from fontTools import subset
from fontTools.ttLib import TTFont

FOLDER = Path(__file__).parents[2] / "cds_service" / "label" / "fonts"
WEIGHTS = ("Regular", "Bold")
JOINERS = ((0x200C, 0x200D), (0x25CC, 0x25CC))
RANGES = {
    # Latin as far as names in Africa, Asia and Europe go, with the marks that are typed by
    # themselves, and the punctuation of the texts.
    "NotoSans": (
        (0x20, 0x7E), (0xA0, 0x24F), (0x253, 0x272), (0x1E00, 0x1EFF), (0x2010, 0x2027),
        (0x2030, 0x2033), (0x20AC, 0x20AC), (0x2212, 0x2212), (0x300, 0x304), (0x306, 0x30C),
        (0x323, 0x325), (0x327, 0x328), (0x32D, 0x32D), (0x330, 0x331), (0x2BB, 0x2BC),
        (0x2044, 0x2044),
    ),
    "NotoSansDevanagari": ((0x900, 0x97F), *JOINERS),
    "NotoSansBengali": ((0x964, 0x965), (0x980, 0x9FF), *JOINERS),
    "NotoSansArabic": ((0x600, 0x6FF), (0x750, 0x77F), *JOINERS),
    "NotoSansEthiopic": ((0x1200, 0x139F), (0x2D80, 0x2DDF), (0xAB00, 0xAB2F)),
}  # fmt: skip
"""First and last code points of what is kept of each family."""


def make(source: Path, name: str, ranges: Iterable[tuple[int, int]]) -> set[int]:
    """Write the part of one font; returns the characters that it has."""
    options = subset.Options(hinting=False, layout_features=["*"], notdef_outline=True)
    options.name_IDs, options.recalc_timestamp = ["*"], False
    font = subset.load_font(str(source / f"{name}.ttf"), options)
    keep = subset.Subsetter(options)
    keep.populate(unicodes=[code for low, high in ranges for code in range(low, high + 1)])
    keep.subset(font)
    subset.save_font(font, str(FOLDER / f"{name}.ttf"), options)
    return set(TTFont(FOLDER / f"{name}.ttf").getBestCmap())


def as_ranges(codes: Iterable[int]) -> list[list[int]]:
    """Code points as first and last of each row of neighbours."""
    found: list[list[int]] = []
    for before, code in pairwise([-2, *sorted(codes)]):
        if code == before + 1:
            found[-1][1] = code
        else:
            found.append([code, code])
    return found


def main() -> None:
    """Make all of them, and the list of what they have."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", metavar="FOLDER", type=Path)
    source = parser.parse_args().source
    known = {}
    for family, ranges in RANGES.items():
        # What one weight lacks would be a gap in a heading.
        each = [make(source, f"{family}-{weight}", ranges) for weight in WEIGHTS]
        known[family] = as_ranges(each[0] & each[1])
    text = ",\n".join(f" {json.dumps(name)}: {json.dumps(rows)}" for name, rows in known.items())
    (FOLDER / "coverage.json").write_text(f"{{\n{text}\n}}\n", encoding="ascii")


if __name__ == "__main__":
    main()
