"""The RequestGroup: how the requests belong together, and the CarePlan that holds it.

FHIR R4 rqg-1: an action has either a resource or sub-actions, never both.
"""

from collections.abc import Sequence

from cds_service.engine.phrase import adapted
from cds_service.fhir.write_base import classes, pointer, start, who_and_when
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_shape import Item, Shape


def care_plan(house: House, shape: Shape) -> Json:
    """The CarePlan: the headline, and that a licensed health worker decides."""
    resource = {
        **start("CarePlan", "care-plan"),
        "instantiatesCanonical": [house.canonical],
        "status": "draft",
        "intent": "proposal",
        "title": house.protocol.title,
        **who_and_when("created"),
        "activity": [{"reference": pointer("request-group")}],
        "note": [{"text": words} for words in _said(house)],
    }
    if shape.summary:
        resource["description"] = " ".join(map(house.text, shape.summary))
    if shape.classes:
        resource["addresses"] = classes(shape.classes)
    return resource


def _said(house: House) -> list[str]:
    """That a licensed health worker decides, and which national adaptation was used."""
    return [house.title("write.proposal"), *map(house.text, adapted(house.protocol))]


def request_group(
    house: House,
    choice: str,
    first: Sequence[Item],
    items: Sequence[Item],
    last: Sequence[Item],
) -> Json:
    """The RequestGroup: `first` the emergency, then by branch, `last` what is told."""
    every, refer, here = (
        _actions(house, [item for item in items if item.branch == branch])
        for branch in ("", "refer", "here")
    )
    branches = _choice(house, choice, refer, here)
    # Nothing that could wait stands before an urgent referral.
    ordered = [*branches, *every] if choice else [*every, *branches]
    actions = [*_actions(house, first), *ordered, *_actions(house, last)]
    resource = {
        **start("RequestGroup", "request-group"),
        "instantiatesCanonical": [house.canonical],
        "status": "draft",
        "intent": "proposal",
        **who_and_when("authoredOn"),
    }
    return resource | ({"action": actions} if actions else {})


def _choice(house: House, choice: str, refer: list[Json], here: list[Json]) -> list[Json]:
    if choice == "":
        return [*refer, *here]
    groups = [
        _group(house, name, actions)
        for name, actions in (("refer", refer), ("here", here))
        if actions
    ]
    if choice == "here" and refer:
        groups[0]["title"] = house.title("write.branch.refer-later")
    if len(groups) < 2:
        return groups
    if choice == "refer-or-here":
        return [_exactly_one(house.title("write.choose-referral"), groups)]
    if choice == "refer-then-here":
        groups[1] |= {
            "title": house.title("write.only-if-refused"),
            "relatedAction": [{"actionId": "refer", "relationship": "after-start"}],
        }
    return groups


def _group(house: House, name: str, actions: list[Json]) -> Json:
    return {
        "id": name,
        "title": house.title(f"write.branch.{name}"),
        "groupingBehavior": "logical-group",
        "selectionBehavior": "all",
        "action": actions,
    }


def _exactly_one(title: str, actions: list[Json]) -> Json:
    return {
        "title": title,
        "groupingBehavior": "logical-group",
        "selectionBehavior": "exactly-one",
        "action": actions,
    }


def _actions(house: House, items: Sequence[Item]) -> list[Json]:
    """One action for each item; an item and those that may replace it become one choice."""
    replacing = [item for item in items if item.instead_of]
    actions = []
    for item in items:
        if item.instead_of:
            continue
        others = [other for other in replacing if item.key == other.instead_of]
        actions.append(_either(house, item, others))
    return actions


def _either(house: House, item: Item, others: list[Item]) -> Json:
    if not others:
        return _action(house, item)
    return _exactly_one(
        house.title("write.one-of"), [_action(house, each) for each in (item, *others)]
    )


def _action(house: House, item: Item) -> Json:
    action: Json = {"title": item.title}
    if "priority" in item.resource:
        action["priority"] = item.resource["priority"]
    if item.cites:
        action["documentation"] = house.citations(item.cites)
    return action | {"resource": pointer(item.role)}
