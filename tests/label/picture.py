"""Makes the picture of README.md and the reference pictures: `python -m tests.label.picture`.

Then look at each: a test only finds that one has changed, not whether it is right.
"""

from collections.abc import Iterator
from pathlib import Path

from cds_service.label.printing import Wanted, printed

from .labels import WHOM, decision

README = Path(__file__).parents[2] / "docs" / "label.png"
FOLDER = Path(__file__).parent / "pictures"
_ID = "00000000-0000-5000-8000-000000000000"
PICTURES = {
    "am-label": ("07", Wanted("png", "a6", "am")),
    "ar-label": ("07", Wanted("png", "a6", "ar")),
    "ar-leaflet": ("01", Wanted("png", "a5", "ar")),
    "bn-label": ("12", Wanted("png", "a6", "bn")),
    "hi-strip": ("07", Wanted("png", "58mm", "hi")),
    "es-drawings": ("12", Wanted("png", "a6", "es", wordless=True)),
}
"""Name: the example and what is printed of it. Scripts whose text cannot be read back in order."""


def pictures() -> Iterator[tuple[Path, bytes]]:
    """Where each stands, and what it is now."""
    yield README, _drawn("07", Wanted("png", "a6", "en"))
    for name, (story, wanted) in PICTURES.items():
        yield FOLDER / f"{name}.png", _drawn(story, wanted)


def _drawn(story: str, wanted: Wanted) -> bytes:
    # Under the id of no decision: a real one changes with every word of the content.
    return printed(decision(story)._replace(id=_ID), wanted, WHOM).body


if __name__ == "__main__":
    for path, picture in pictures():
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(picture)
