"""Whatever is said when something is in doubt can be said in words, for every class.

One case of each class, and of each medicine, with something taken away or made doubtful. What
cannot be said in words would be an empty line on a card, or a fault in the answer.
"""

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest

from cds_service.case import Age, Case, GivenDose, Measurement, MedicineInUse, Origin, Refusal
from cds_service.engine import decide
from cds_service.quantity import Quantity
from tests.changing import replace
from tests.engine.cases import Told, every_case
from tests.engine.test_everything_said import PROTOCOL, in_words

WEIGHTS = ("weight", "birth-weight")


def one_of_each() -> Iterator[Told]:
    """Of each class, medicine, fluid and caution the first case that has it."""
    seen = set[str]()
    for told in every_case():
        decision = decide(told.case, PROTOCOL)
        plan = decision.plan
        found = {
            *(held.code for held in decision.assessment.classes),
            *(order.key for order in plan.orders),
            *(fluid.key for fluid in plan.fluids),
            *(f"{one.medicine} {one.state}" for one in plan.courses),
            *(caution.code for caution in plan.cautions),
        }
        if found - seen:
            seen |= found
            yield told


def weighed(case: Case, *kilograms: str, **changes: object) -> Case:
    """With these weights and no other."""
    others = tuple(each for each in case.measurements if each.kind not in WEIGHTS)
    weights = tuple(
        Measurement(
            "weight",
            Quantity.of(kg, "kg"),
            case.as_of - timedelta(minutes=place),
            Origin(f"W/{kg}"),
        )
        for place, kg in enumerate(kilograms)
    )
    return replace(case, measurements=(*others, *(replace(w, **changes) for w in weights)))


def old(case: Case) -> Case:
    return weighed(case, "3.4", at=case.as_of - timedelta(days=20))


def everything_in_use(case: Case) -> Case:
    """Every medicine is in use, some time; nothing is known of its order."""
    used = (MedicineInUse(one.code, Origin(f"M/{one.code}")) for one in PROTOCOL.medicines)
    return replace(case, in_use=tuple(used))


def given_some_time(case: Case) -> Case:
    given = (GivenDose(one.code, None, Origin(f"G/{one.code}")) for one in PROTOCOL.medicines)
    return replace(case, given=tuple(given))


def nothing_usable(case: Case) -> Case:
    """Of every fact something was sent, too, that cannot be used."""
    codes = [*PROTOCOL.sign_by_code, *PROTOCOL.measure_by_code]
    refused = tuple(Refusal("future", Origin(f"R/{code}"), (), code) for code in codes)
    return replace(case, refusals=refused)


DOUBTS: dict[str, Callable[[Case], Case]] = {
    "no age": lambda case: replace(case, age=None),
    "any age": lambda case: replace(case, age=Age(0, 59)),
    "perhaps too old": lambda case: replace(case, age=Age(55, 62)),
    "no weight": weighed,
    "too light": lambda case: weighed(case, "1.2"),
    "very low weight": lambda case: weighed(case, "1.9"),
    "ten times too heavy": lambda case: weighed(case, "34"),
    "two weights": lambda case: weighed(case, "3.4", "4.6"),
    "an old weight": old,
    "a preliminary weight": lambda case: weighed(case, "3.4", preliminary=True),
    "nothing in stock": lambda case: replace(case, stock=frozenset[str]()),
    "all in use": everything_in_use,
    "all given": given_some_time,
    "nothing usable": nothing_usable,
}


DOUBTED = {
    f"{doubt}: {told.name}": made(told.case)
    for told in one_of_each()
    for doubt, made in DOUBTS.items()
}


@pytest.mark.parametrize("name", DOUBTED)
def test_what_is_in_doubt_can_be_said(name: str) -> None:
    in_words(decide(DOUBTED[name], PROTOCOL))
