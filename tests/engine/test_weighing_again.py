"""A weight that is too old for its age is to be measured again (section 5; derived)."""

import pytest

from cds_service.engine.settle import settle
from cds_service.engine.weight import dosing_weight
from tests.engine.cases import read
from tests.engine.test_edges import PROTOCOL


@pytest.mark.parametrize(
    ("age", "ago", "again"),
    [
        ("10 d", "48 h", False),
        ("10 d", "49 h", True),
        ("20 d", "49 h", False),
        ("20 d", "8 d", True),
    ],
)
def test_an_old_weight_is_to_be_measured_again(age: str, ago: str, again: bool) -> None:
    infant = {"age": age, "weight": f"3.4 kg {ago} ago"}
    case = read({"case": "-", "source": "-", "infant": infant, "expect": {}}).case
    weight = dosing_weight(settle(case, PROTOCOL))
    assert weight.kg is not None
    assert weight.weigh_again is again
