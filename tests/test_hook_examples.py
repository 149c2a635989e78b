"""Every call of examples/hooks-*/: answered by the real service exactly as it says."""

import asyncio
import json
import os
import re
import subprocess
from pathlib import Path

import httpx
import pytest

from cds_service.service.hooks import SERVICES
from tests.examples import FOLDER, compact, pretty
from tests.hook_examples import CALLS, cards, path, readme, stored
from tests.test_auditors import USUAL, address, programs  # noqa: F401 - fixtures

each_call = pytest.mark.parametrize("name", CALLS)


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, httpx.Response]:
    return asyncio.run(cards(tmp_path_factory.mktemp("hooks") / "log.db"))


def test_every_service_has_an_example_and_every_folder_is_one() -> None:
    assert set(CALLS.values()) == set(SERVICES)
    assert {each.name for each in FOLDER.glob("hooks-*")} == set(CALLS)
    listed = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"^- \[([^]]+)\]\(\1/README\.md\)", listed, re.MULTILINE) == list(CALLS)


@each_call
def test_the_cards_are_the_stored_ones(name: str, answers: dict[str, httpx.Response]) -> None:
    assert answers[name].status_code == 200
    assert pretty(answers[name].content) == stored(name), "python -m tests.examples_renew"
    assert compact(stored(name)) == answers[name].content


@each_call
def test_the_readme_tells_the_cards(name: str, answers: dict[str, httpx.Response]) -> None:
    (block,) = re.findall(r"^```cards\n(.*?)^```$", readme(name), re.DOTALL | re.MULTILINE)
    told = []
    for card in answers[name].json()["cards"]:
        told.append(f"{card['indicator']} {card['source']['topic']['code']}: {card['summary']}")
        for each in card.get("suggestions", ()):
            acts = ", ".join(act["type"] for act in each["actions"])
            told.append(f"  {each['label']}: {acts}")
    assert block.splitlines() == told


@each_call
def test_the_readme_posts_its_own_call(name: str) -> None:
    assert f"--data-binary @examples/{name}/call.json" in readme(name)
    assert f"'{USUAL}{path(name)}'" in readme(name)


def test_the_lines_that_the_page_about_hooks_gives_integrators(
    address: str,  # noqa: F811 - the fixture
    programs: Path,  # noqa: F811
) -> None:
    root = FOLDER.parent
    page = (root / "docs" / "cds-hooks.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```bash\n(.*?)^```$", page, re.DOTALL | re.MULTILINE)
    marked = re.sub(r"(?<!\\)\n", "; echo; echo ---\n", block)
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", marked.replace(USUAL, address)],
        cwd=root,
        env=os.environ | {"PATH": f"{programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    discovery, plan, check = map(json.loads, done.stdout.split("\n---\n")[:-1])
    assert [each["id"] for each in discovery["services"]] == list(SERVICES)
    assert plan["cards"][0]["indicator"] == "critical"
    assert check["cards"][0]["suggestions"][0]["actions"][0]["type"] == "update"
