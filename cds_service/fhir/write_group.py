"""The RequestGroup: how the requests belong together, and the CarePlan that holds it.

FHIR R4 rqg-1: an action has either a resource or sub-actions, never both.
"""

from collections.abc import Sequence

from cds_service.fhir.write_base import Item, Pen
from cds_service.fhir.write_json import Json


def care_plan(pen: Pen) -> Json:
    """The CarePlan: the headline, and that a licensed health worker decides."""
    house, plan = pen.house, pen.decision.plan
    resource = {
        **pen.start("CarePlan", "care-plan"),
        "instantiatesCanonical": [house.canonical],
        "status": "draft",
        "intent": "proposal",
        "title": house.protocol.title,
        **pen.who,
        "created": pen.as_of,
        "activity": [{"reference": pen.ref("request-group")}],
        "note": [{"text": house.title("write.proposal")}],
    }
    if plan.summary:
        resource["description"] = " ".join(map(house.text, plan.summary))
    if pen.decision.assessment.classes:
        resource["addresses"] = pen.classes([held.code for held in pen.decision.assessment.classes])
    return resource


def request_group(
    pen: Pen, first: Sequence[Item], items: Sequence[Item], last: Sequence[Item]
) -> Json:
    """The RequestGroup: `first` the emergency, then by branch, `last` what is told."""
    branches = {
        name: _actions(pen, [item for item in items if item.branch == name])
        for name in ("", "refer", "here")
    }
    actions = [
        *_actions(pen, first),
        *branches[""],
        *_choice(pen, branches["refer"], branches["here"]),
        *_actions(pen, last),
    ]
    resource = {
        **pen.start("RequestGroup", "request-group"),
        "instantiatesCanonical": [pen.house.canonical],
        "status": "draft",
        "intent": "proposal",
        **pen.who,
        "authoredOn": pen.as_of,
    }
    return resource | ({"action": actions} if actions else {})


def _choice(pen: Pen, refer: list[Json], here: list[Json]) -> list[Json]:
    choice = pen.decision.plan.choice
    if choice == "":
        return [*refer, *here]
    groups = [
        _group(pen, name, actions)
        for name, actions in (("refer", refer), ("here", here))
        if actions
    ]
    if len(groups) < 2:
        return groups
    if choice == "refer-or-here":
        return [_exactly_one(pen.house.title("write.choose-referral"), groups)]
    if choice == "refer-then-here":
        groups[1] |= {
            "title": pen.house.title("write.only-if-refused"),
            "relatedAction": [{"actionId": "refer", "relationship": "after-start"}],
        }
    return groups


def _group(pen: Pen, name: str, actions: list[Json]) -> Json:
    title = pen.house.title(f"write.branch.{name}")
    return {
        "id": name,
        "title": title,
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


def _actions(pen: Pen, items: Sequence[Item]) -> list[Json]:
    """One action for each item; an item and those that may replace it become one choice."""
    replacing = [item for item in items if item.instead_of]
    if not replacing:
        return [_action(pen, item) for item in items]
    actions = []
    for item in items:
        if item.instead_of:
            continue
        others = [other for other in replacing if item.key and other.instead_of == item.key]
        actions.append(_either(pen, item, others))
    return actions


def _either(pen: Pen, item: Item, others: list[Item]) -> Json:
    if not others:
        return _action(pen, item)
    return _exactly_one(
        pen.house.title("write.one-of"), [_action(pen, each) for each in (item, *others)]
    )


def _action(pen: Pen, item: Item) -> Json:
    action: Json = {"title": item.title}
    if "priority" in item.resource:
        action["priority"] = item.resource["priority"]
    if item.cites:
        action["documentation"] = pen.house.citations(*item.cites)
    action["resource"] = {"reference": f"urn:uuid:{item.resource['id']}"}
    return action
