"""Every relative link and picture of the documents leads to a file, and to a heading of it."""

import re
from itertools import count
from pathlib import Path
from urllib.parse import unquote

import pytest

ROOT = Path(__file__).parents[1]
PAGES = (
    *(ROOT / name for name in ("README.md", "DEVELOPERS.md", "SECURITY.md", "examples/README.md")),
    *sorted((ROOT / "docs").glob("*.md")),
)
_CODE = re.compile(r"^```.*?^```$|^    .*?$|`[^`\n]*`", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"\[[^][]*\]\(([^()\s]+)\)")


def anchors(text: str) -> list[str]:
    """The anchors of a document's headings by GitHub's rules, in their order.

    docs.github.com, "Basic writing and formatting syntax", Section links: letters in lower case,
    spaces to hyphens, other punctuation and markup away, a number behind what was there before.
    """
    found: list[str] = []
    for heading in re.findall(r"^#{1,6} +(.+?) *$", _fences_away(text), re.MULTILINE):
        words = re.sub(r"\[([^]]*)\]\([^)]*\)", r"\1", heading)
        words = re.sub(r"(?<!\w)_|_(?!\w)", "", words).lower()
        anchor = re.sub(r"[^\w\- ]", "", words).replace(" ", "-")
        numbered = (f"{anchor}-{number}" for number in count(1))
        found.append(anchor if anchor not in found else next(n for n in numbered if n not in found))
    return found


def _fences_away(text: str) -> str:
    return re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)


def broken(page: Path) -> list[str]:
    """The links and pictures of a page that lead nowhere; those with a scheme are not followed."""
    wrong = []
    for link in _LINK.findall(_CODE.sub("", page.read_text(encoding="utf-8"))):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, fragment = unquote(link).partition("#")
        there = page.parent / name if name else page
        if not there.exists() or (
            fragment and fragment not in anchors(there.read_text(encoding="utf-8"))
        ):
            wrong.append(link)
    return wrong


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_relative_link_leads_somewhere(page: Path) -> None:
    assert broken(page) == []


def test_every_page_of_the_documents_is_named_in_the_readme() -> None:
    more = (ROOT / "README.md").read_text(encoding="utf-8").partition("\n## More\n")[2]

    assert {f"docs/{page.name}" for page in (ROOT / "docs").glob("*.md")} <= set(
        _LINK.findall(more)
    )


def test_a_broken_link_is_found(tmp_path: Path) -> None:
    (tmp_path / "other.md").write_text("# What is there\n\n```\n# no heading\n```\n")
    page = tmp_path / "page.md"
    page.write_text(
        "# One\n[a](other.md) [b](other.md#what-is-there) [c](#one) [d](https://there.example/x)\n"
        "[e](none.md) [f](other.md#no-heading) [g](#two)\n![h](none.png) [i](other%2Emd)\n"
        "`[j](code.md)`\n\n```\n[k](code.md)\n```\n\n    [l](code.md)\n"
        "| [m](cell.md) |\n"
    )

    assert broken(page) == ["none.md", "other.md#no-heading", "#two", "none.png", "cell.md"]


def test_the_anchors_are_those_of_the_published_example() -> None:
    # The worked example of the page named above (github/docs, commit 01c2dd1); only that its link
    # keeps the capital Θ, against its own first rule.
    text = (
        "# Example headings\n\n## Sample Section\n\n"
        "## This'll  be a _Helpful_ Section About the Greek Letter Θ!\n\n"
        "## This heading is not unique in the file\n\nTEXT 1\n\n"
        "## This heading is not unique in the file\n"
    )

    assert anchors(text)[1:] == [
        "sample-section",
        "thisll--be-a-helpful-section-about-the-greek-letter-θ",
        "this-heading-is-not-unique-in-the-file",
        "this-heading-is-not-unique-in-the-file-1",
    ]
