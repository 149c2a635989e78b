"""The batch of examples/: answered by the real service as its README says."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from tests.examples import FOLDER, stored
from tests.web.conftest import JSON, Call, call, service, store  # noqa: F401 - fixtures
from tests.web.sample import PATH

HERE = FOLDER / "batch"


@pytest.fixture
def entries(call: Call) -> list[dict[str, Any]]:  # noqa: F811 - the fixture
    sent = (HERE / "batch.json").read_bytes()
    get_fhir_model_class("Bundle").model_validate_json(sent)
    answer = call("POST", "/fhir", content=sent, headers=JSON)
    return list(answer.json()["entry"])


def test_the_readme_tells_what_became_of_each_entry(entries: list[dict[str, Any]]) -> None:
    readme = (HERE / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```answers\n(.*?)^```$", readme, re.DOTALL | re.MULTILINE)
    told = []
    for each in entries:
        response = each["response"]
        place = " ".join(filter(None, (response["status"], response.get("location"))))
        if "resource" in each:
            told.append(f"{place}: {each['resource']['resourceType']}")
        else:
            told.append(f"{place}: {response['outcome']['issue'][0]['diagnostics']}")
    assert block.splitlines() == told
    assert "--data-binary @examples/batch/batch.json http://127.0.0.1:8080/fhir\n" in readme


def test_the_plan_is_that_of_its_story(entries: list[dict[str, Any]]) -> None:
    assert entries[0]["resource"] == json.loads(stored("06-infection-unlikely"))
    asked = json.loads((HERE / "batch.json").read_bytes())["entry"][0]
    story = Path(FOLDER / "06-infection-unlikely" / "request.json").read_bytes()
    assert asked["resource"] == json.loads(story)
    assert f"/fhir/{asked['request']['url']}" == PATH
