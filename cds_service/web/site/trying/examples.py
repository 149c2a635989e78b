"""The stories of `examples/`, which travel in the wheel: what the page offers to begin with."""

from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import NamedTuple

_PACKAGED = "stories"
"""Where the wheel has them, beside this file (pyproject.toml)."""


class Example(NamedTuple):
    """One story and the request that it tells of."""

    name: str
    title: str
    story: str
    """Its first paragraph: who, where, what is the matter."""
    request: bytes


@cache
def examples() -> dict[str, Example]:
    """Every example by its name, in the order of the folder."""
    folders = sorted(_folder().iterdir(), key=lambda each: each.name)
    found = [_example(each) for each in folders if each.joinpath("request.json").is_file()]
    return {each.name: each for each in found}


def _folder() -> Traversable:
    """In the wheel beside this file; in a checkout where they are written."""
    packaged = files(__package__).joinpath(_PACKAGED)
    return packaged if packaged.is_dir() else Path(__file__).parents[4] / "examples"


def _example(folder: Traversable) -> Example:
    told = folder.joinpath("README.md").read_text(encoding="utf-8")
    title, story = told.split("\n\n")[:2]
    request = folder.joinpath("request.json").read_bytes()
    return Example(folder.name, title.removeprefix("# "), " ".join(story.split()), request)
