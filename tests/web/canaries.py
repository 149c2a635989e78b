"""Personal data of the invented infant, and where none of it may ever show up."""

import logging
from collections.abc import Iterable

import httpx

CANARIES = ("orla", "fenn", "2026-02-20", "quill", "marmalade")
"""Her name, her id, her birthday; the nurse's name; a word of the nurse's reason."""
QUIET = ("httpx", "httpcore", "hpack")
"""Loggers of the caller that the tests bring along; what it logs is its own affair."""


def found(text: str) -> list[str]:
    """The canaries in a text."""
    return [each for each in CANARIES if each in text.lower()]


def listen() -> None:
    """Let everything be captured that any part of the service might log."""
    logging.getLogger().setLevel(logging.DEBUG)
    for name in QUIET:
        logging.getLogger(name).setLevel(logging.CRITICAL)


def check_sections(sections: Iterable[tuple[str, str]]) -> list[str]:
    """What is wrong with the captured output and log records of a test."""
    return [f"{name} has personal data: {found(text)}" for name, text in sections if found(text)]


def check_answer(answer: httpx.Response) -> None:
    """No personal data in a header, in a link that we make, or in the text of a refusal."""
    for name, value in answer.headers.items():
        # Base64 of random bytes: sooner or later it spells any short name.
        if name != "cds-log-checkpoint":
            assert not found(value), f"header {name}"
    if answer.status_code >= 400:
        assert not found(answer.text), "the text of a refusal"
    if answer.headers.get("content-type", "").startswith("application/fhir+json"):
        for link in answer.json().get("link", ()) if answer.content else ():
            assert not found(link["url"]), "a link"
