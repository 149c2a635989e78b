"""What must hold between the parts of a protocol, once each of them has been read.

A check that compares parts runs only when the files of those parts read well, so that one
fault is not reported twice in other words.
"""

from itertools import pairwise

from cds_service.content import (
    check_catalogues,
    check_doses,
    check_fluids,
    check_rows,
    check_texts,
    check_units,
)
from cds_service.content.desk import Desk
from cds_service.content.treatment import REFERRAL, Protocol

_RECKONED = {"weight": "kg", "birth-weight": "kg", "gestational-age": "wk"}
_TABLES = ("signs.yaml", "classifications.yaml", "protocol.yaml")


def check(protocol: Protocol, desk: Desk) -> None:
    """Report every fault between the parts to the desk."""
    tables = desk.clean(*_TABLES)
    plans = tables and desk.clean("treatments.yaml")
    medicines = [med for med in protocol.medicines if desk.clean(f"medicines/{med.code}.yaml")]
    if desk.clean("protocol.yaml", "growth.yaml"):
        growth(protocol, desk)
    named(protocol, desk)
    if tables:
        implications(protocol, desk)
        classes(protocol, desk)
        check_rows.rows(protocol, desk)
    if plans:
        class_plans(protocol, desk)
        check_rows.regimens(protocol, desk)
        for item in check_rows.care_items(protocol):
            check_fluids.amounts(protocol, desk, item)
    if plans and desk.clean("medicines/", "fluids.yaml"):
        check_units.limits(protocol, desk)
    if plans and desk.clean("fluids.yaml"):
        check_fluids.fluids(protocol, desk)
    for medicine in medicines:
        if plans:
            check_doses.medicine(protocol, desk, medicine)
            check_rows.rules(protocol, desk, medicine)
    formulations(protocol, desk)
    check_texts.texts(protocol, desk)
    check_catalogues.catalogues(protocol, desk)


def named(protocol: Protocol, desk: Desk) -> None:
    """What the engine asks for by name is there, in the unit that it reckons in."""
    if REFERRAL not in protocol.sign_by_code:
        desk.fault("signs.yaml", 1, f"the sign {REFERRAL} is missing; referral turns on it")
    for code, unit in _RECKONED.items():
        measure = protocol.measure_by_code.get(code)
        if measure is None:
            desk.fault("signs.yaml", 1, f"the measure {code} is missing; doses and ages need it")
        elif measure.unit != unit:
            desk.report_at(measure, f"{code} is reckoned in {unit}, not in {measure.unit}")


def growth(protocol: Protocol, desk: Desk) -> None:
    """There is one line of L, M, S for each day that the protocol covers."""
    days = int(protocol.age_below.value)
    for sex, table in (("male", protocol.growth.male), ("female", protocol.growth.female)):
        if len(table) != days:
            desk.report_at(
                protocol.growth, f"{sex} has {len(table)} days; one line is due for each of {days}"
            )


def implications(protocol: Protocol, desk: Desk) -> None:
    """A YES that implies a YES never leads back to the sign it came from."""
    edges = {
        sign.code: [implied.code for implied in sign.implies if implied.answer.value == "yes"]
        for sign in protocol.signs
    }
    for sign in protocol.signs:
        reached, onward = set[str](), list(edges[sign.code])
        while onward:
            code = onward.pop()
            if code not in reached:
                reached.add(code)
                onward += edges.get(code, ())
        if sign.code in reached:
            desk.report_at(sign, f"{sign.code} implies itself; remove one implies of the circle")


def classes(protocol: Protocol, desk: Desk) -> None:
    """A class is given by one row only."""
    seen: set[str] = set()
    for row in (row for table in protocol.tables for row in table.rows):
        if row.code in seen:
            desk.report_at(row, f"the class {row.code} has a row already; rename or join them")
        seen.add(row.code)


def class_plans(protocol: Protocol, desk: Desk) -> None:
    """Each class has its plan, and what the plan says of referral fits the class."""
    for row in protocol.row_by_code.values():
        plan = protocol.plan_by_code.get(row.code)
        if plan is None:
            desk.report_at(row, f"the class {row.code} has no plan; add it to treatments.yaml")
        elif row.severe == (plan.referral == "none"):
            desk.report_at(plan, f"referral {plan.referral} does not fit severe: {row.severe}")
    for plan in protocol.plans:
        if plan.code not in protocol.row_by_code:
            desk.report_at(plan, f"no row gives the class {plan.code}; add one or remove the plan")
        if plan.referral == "choice" and not plan.regimens:
            desk.report_at(plan, "referral choice needs a regimen for treating here")
        codes = sorted(regimen.code for regimen in plan.regimens)
        for code in {one for one, other in pairwise(codes) if one == other}:
            desk.report_at(plan, f"the regimen {code} appears twice; rename one")


def formulations(protocol: Protocol, desk: Desk) -> None:
    """A formulation code, which a clinic names as its stock, belongs to one medicine."""
    for one, other in pairwise(sorted(protocol.formulations, key=lambda pair: pair[1].code)):
        if one[1].code == other[1].code and one[0] is not other[0]:
            desk.report_at(other[0], f"the formulation {other[1].code} is of {one[0].code} already")
