"""What the tests of the auditors' pages share: how a browser asks, and what a page says."""

import re
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import httpx

HTML = {"accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
FORM = {"content-type": "application/x-www-form-urlencoded"} | HTML


class Words(HTMLParser):
    """The words of a page; a tag that is left open, or a script or style inline, is a fault."""

    VOID = frozenset({"meta", "link", "input", "br", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag != "style"
        assert "style" not in dict(attrs)
        assert tag != "script" or dict(attrs)["src"]
        assert not [name for name, _ in attrs if name.startswith("on")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert "style" not in dict(attrs)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def words(answer: httpx.Response, status: int = 200) -> str:
    """The words of a page that is answered with this status."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    reader = Words()
    reader.feed(answer.text)
    assert reader.open == []
    return " ".join("".join(reader.words).split())


def entries(answer: httpx.Response) -> list[int]:
    """The entries of the list, in its order."""
    return [
        int(index) for index in re.findall(r'class="number" href="/records/(\d+)"', answer.text)
    ]


def altered(path: Path, statement: str) -> None:
    """Change a row below the service."""
    with closing(sqlite3.connect(path)) as log, log:
        for table in ("payload", "entry"):
            log.execute(f"DROP TRIGGER {table}_update")
        log.execute(statement)
