"""Phenobarbital for a vein is diluted, and the undiluted ampoule is never measured for a vein.

200 mg in 1 mL and 9 mL of water for injection are 20 mg/mL, not faster than 1 mg/kg a minute (BNF
for Children 2011-2012; Newborn Services drug protocol, Auckland 2011: pages read online).
"""

from decimal import Decimal

from cds_service.content.text import render
from cds_service.engine.care import emergency
from tests.engine.test_fluids import PROTOCOL, facts

(ITEM,) = [each for each in PROTOCOL.emergency if each.code.startswith("phenobarbital")]
NUMBER = {name: number.value for name, number in ITEM.values}


def said(kg: str | None) -> str:
    known = facts("20", kg or "3.4", yes=("convulsing-now",))
    cares = emergency(known, None if kg is None else Decimal(kg))
    (care,) = [each for each in cares if each.key.endswith(ITEM.code)]
    return str(render(PROTOCOL, care.message))


def test_the_ampoule_and_the_water_make_twenty_milligrams_in_a_millilitre() -> None:
    assert NUMBER["ampoule"] + NUMBER["water"] == NUMBER["made"]
    assert NUMBER["content"] / NUMBER["made"] == 20
    strengths = {each.name: each.strength for each in ITEM.amounts}
    for name in ("load", "next", "most"):
        substance, per = strengths[name] or (None, None)
        assert (str(substance), str(per)) == ("20 mg", "1 mL")


def test_no_faster_than_one_milligram_per_kilogram_in_a_minute() -> None:
    assert NUMBER["load"] / NUMBER["over"] <= 1


def test_the_dilution_is_told_before_the_volume_and_checked_by_two() -> None:
    told = said("3.4")
    vein = "Into a vein only diluted: 1 mL of the ampoule (200 mg in 1 mL) and 9 mL of water"
    assert vein in told
    assert told.index(vein) < told.index("20 mg/kg = 68 mg (3.4 mL of 20 mg/mL)")
    assert "undiluted into the muscle instead: 20 mg/kg = 68 mg (0.34 mL of 200 mg/mL)" in told
    assert "Two people check strength, dilution and volume" in told


def test_without_a_weight_the_dilution_is_told_all_the_same() -> None:
    told = said(None)
    assert (
        "9 mL of water for injection make 10 mL. Of this 20 mg/kg, over at least 20 minutes" in told
    )
