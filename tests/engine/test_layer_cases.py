"""The readable cases of each edition and adaptation (tests/cases/sick-young-infant/<name>/)."""

import pytest

from cds_service.content.library import Library
from cds_service.engine import decide
from tests.engine.cases import FOLDER, Told, every_case
from tests.engine.test_cases import disagreements

LIBRARY = Library()
NAMES = sorted(path.name for path in FOLDER.iterdir() if path.is_dir())
CASES = [(name, told) for name in NAMES for told in every_case(FOLDER / name)]


@pytest.mark.parametrize(
    ("name", "told"), CASES, ids=[f"{name} {told.name}" for name, told in CASES]
)
def test_case_as_its_source_has_it(name: str, told: Told) -> None:
    decision = decide(told.case, LIBRARY.named(f"sick-young-infant|{name}"))
    wrong = disagreements(told, decision)
    assert not wrong, "\n".join([told.source, *wrong])


def test_every_layer_has_cases() -> None:
    assert NAMES == ["2014.1", "2024.1+kestria"]
    assert all(told.source.strip() and told.expect for _, told in CASES)
