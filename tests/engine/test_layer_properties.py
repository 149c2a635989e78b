"""What must be true of every decision and order is true of every edition and adaptation.

The invariants are those of the base; left out are only those that name the base's classes.
"""

import sys
from collections.abc import Callable

import pytest

from cds_service.content.load import edition_of, layers, load
from tests.engine import test_order_properties as of_orders
from tests.engine import test_properties as of_decisions

BASE = "sick-young-infant"
LAYERS = [
    *((edition, "") for edition in layers(BASE, "edition")),
    *((edition_of(BASE, name), name) for name in layers(BASE, "adaptation")),
]
INVARIANTS = (
    of_decisions.test_no_float_anywhere_in_a_decision,
    of_decisions.test_no_float_anywhere_in_the_content,
    of_decisions.test_the_order_of_what_was_sent_changes_nothing,
    of_decisions.test_the_unit_of_a_weight_changes_nothing,
    of_decisions.test_nothing_found_is_never_said_while_a_row_above_is_open,
    of_decisions.test_the_choice_follows_what_was_said_of_referral,
    of_decisions.test_the_status_follows_from_what_is_missing,
    of_decisions.test_one_first_day_to_come_back_in_each_branch,
    of_decisions.test_every_word_of_the_plan_can_be_printed_with_all_its_values,
    of_decisions.test_the_same_question_has_the_same_answer,
    of_orders.test_every_dose_is_in_its_published_range_below_its_ceiling_and_measurable,
    of_orders.test_what_is_handed_out_holds_the_whole_course,
    of_orders.test_no_dose_without_a_weight_but_fixed_ones,
    of_orders.test_the_weight_of_every_dose_was_measured,
    of_orders.test_every_volume_is_in_its_published_range,
    of_orders.test_no_forbidden_medicine_for_an_allergic_infant,
    of_orders.test_ceftriaxone_only_when_all_its_conditions_are_known,
    of_orders.test_one_medicine_one_order_in_each_branch,
    of_orders.test_a_medicine_already_being_given_is_not_ordered_again,
    of_orders.test_gentamicin_is_never_due_within_20_hours_of_the_last,
    of_orders.test_refer_and_treat_here_are_never_both_active,
    of_orders.test_below_one_and_a_half_kilograms_there_is_no_outpatient_regimen,
    of_orders.test_nothing_by_mouth_for_an_infant_who_fits_or_is_unconscious,
)


@pytest.mark.parametrize("layer", LAYERS, ids=["+".join(filter(None, each)) for each in LAYERS])
@pytest.mark.parametrize("holds", INVARIANTS, ids=lambda each: each.__name__)
def test_it_holds_for_every_layer(
    holds: Callable[[], None], layer: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    edition, adaptation = layer
    protocol = load(edition=edition, adaptation=adaptation)
    monkeypatch.setattr(sys.modules[holds.__module__], "PROTOCOL", protocol)
    holds()
