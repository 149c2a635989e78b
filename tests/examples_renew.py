"""Write the response.json of every example again, after a change of content or code.

python -m tests.examples_renew: then read the difference (`git diff examples`), as a nurse would
and as an integrator would. The block of a README is written by hand, so that somebody looks at
each changed class or dose; the blocks that no longer hold are printed as they would have to be.
"""

import asyncio
import sys
import tempfile
from pathlib import Path

from tests import examples, hook_examples


def main() -> int:
    """Exit code 0: every answer written and every README holds; 1: something is to be done."""
    with tempfile.TemporaryDirectory() as scratch:
        found = asyncio.run(examples.answers(Path(scratch) / "log.db"))
        notes = asyncio.run(examples.answers(Path(scratch) / "log.db", examples.NOTE))
        dealt = asyncio.run(hook_examples.cards(Path(scratch) / "log.db"))
    for name, each in dealt.items():
        path = examples.FOLDER / name / "cards.json"
        path.write_text(examples.pretty(each.content), encoding="utf-8")
    for story, each in notes.items():
        path = examples.FOLDER / story / "referral-note.json"
        path.write_text(examples.pretty(each.content), encoding="utf-8")
    return max([_renew(story, each.status_code, each.content) for story, each in found.items()])


def _renew(story: str, status: int, answer: bytes) -> int:
    if status != 200:
        print(f"{story}: refused with {status}\n{answer.decode()}")
        return 1
    path = examples.FOLDER / story / "response.json"
    text = examples.pretty(answer)
    same = path.is_file() and path.read_text(encoding="utf-8") == text
    path.write_text(text, encoding="utf-8")
    print(f"{story}: {'unchanged' if same else 'written'}")
    return _readme(story, examples.claims(answer))


def _readme(story: str, claims: list[str]) -> int:
    path = examples.FOLDER / story / "README.md"
    if path.is_file() and examples.block(examples.readme(story)) == claims:
        return 0
    print("  README.md has to say:", *claims, sep="\n    ")
    return 1


if __name__ == "__main__":
    sys.exit(main())
