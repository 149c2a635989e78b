"""What an answer proposes, read from its FHIR: the same as another reader finds in it."""

import pytest

from cds_service.fhir.gist import HERE, REFER, Gist, gist
from tests import examples


def claimed(found: Gist) -> list[str]:
    """A gist as far as `examples.claims` tells it too."""
    return [
        f"status: {found.status}",
        *(f"class: {code}" for code in found.classes),
        *(f"needed: {code}" for code in found.needed),
        *dict.fromkeys(f"caution: {caution.code}" for caution in found.cautions),
    ]


@pytest.mark.parametrize("story", examples.STORIES)
def test_a_gist_says_what_the_readme_of_its_example_claims(story: str) -> None:
    answer = examples.compact(examples.stored(story))
    claims = examples.claims(answer)
    told = ("status: ", "class: ", "needed: ", "caution: ")
    found = gist(answer)
    assert claimed(found) == [line for line in claims if line.startswith(told)]
    # such as: here, gentamicin-vial-80mg-2ml, an amount and what it contains, how often, how long
    doses = [line.split(", ") for line in claims if " = " in line]
    assert len(found.orders) == sum(line.startswith(("refer", "here", "give")) for line in claims)
    for order, line in zip((o for o in found.orders if o.dose), doses, strict=True):
        assert order.dose is not None
        amount = f"{order.dose.contained:f} {order.dose.unit}"
        assert amount.replace("IU", "[iU]") == line[-2 - (line[-1] != "once")].split(" = ")[1]
        assert order.branch == (REFER if line[0].startswith("refer") else HERE)
        assert (order.dose.a_day == 0) == (line[-1] == "once")
    assert len(found.visits) == sum(line.startswith("visit: ") for line in claims)
    choice = next(line for line in claims if line.startswith("choice: "))
    assert (found.referral is not None and not found.referral.only) == ("exactly one" in choice)


@pytest.mark.parametrize("story", examples.WITH_NOTE)
def test_the_sections_of_a_referral_note_are_told(story: str) -> None:
    answer = examples.compact(examples.stored_note(story))
    found = gist(answer)
    assert any("<div" in words for words in found.told)
    assert found.classes


@pytest.mark.parametrize(
    "answer", [b"", b"{", b"[]", b"null", b'{"entry":[{"resource":{}}]}', b'{"entry":0}', b"\xff"]
)
def test_what_is_no_answer_is_refused_without_repeating_it(answer: bytes) -> None:
    with pytest.raises(ValueError, match=r"^not an answer of this service$"):
        gist(answer)


def test_a_bundle_with_nothing_in_it_proposes_nothing() -> None:
    assert gist(b"{}") == Gist("", {}, None, {}, (), (), (), (), (), ())
