"""Messages become words: placeholders filled, messages inside messages rendered."""

import dataclasses

import pytest

from cds_service.content.load import load
from cds_service.content.model import Message
from cds_service.content.template import literal, placeholders, split
from cds_service.content.text import render
from cds_service.errors import ContentError

PROTOCOL = dataclasses.replace(
    load(),
    texts=(
        ("greet", "Good morning, {name}."),
        ("plain", "No placeholder here."),
        ("pair", "{first} and {second}, {first} again"),
    ),
)


def test_a_text_without_placeholders_is_itself() -> None:
    assert render(PROTOCOL, Message("plain")) == "No placeholder here."


def test_a_placeholder_takes_its_value_wherever_it_stands() -> None:
    message = Message("pair", (("first", "one"), ("second", "two")))
    assert render(PROTOCOL, message) == "one and two, one again"


def test_a_message_inside_a_message_is_rendered() -> None:
    inner = Message("greet", (("name", "Tolm Ford"),))
    message = Message("pair", (("first", inner), ("second", Message("plain"))))
    assert render(PROTOCOL, message) == (
        "Good morning, Tolm Ford. and No placeholder here., Good morning, Tolm Ford. again"
    )


def test_a_value_is_never_read_as_a_template() -> None:
    assert render(PROTOCOL, Message("greet", (("name", "{first}"),))) == "Good morning, {first}."


def test_a_value_that_the_words_do_not_need_is_left_out() -> None:
    assert render(PROTOCOL, Message("plain", (("name", "x"),))) == "No placeholder here."


def test_an_unknown_text_is_refused() -> None:
    with pytest.raises(ContentError, match=r"translations/en: no text farewell"):
        render(PROTOCOL, Message("farewell"))


def test_a_missing_value_is_refused() -> None:
    with pytest.raises(ContentError, match=r"greet has no value for \{name\}"):
        render(PROTOCOL, Message("greet"))


def test_the_name_of_a_formulation_carries_its_strength() -> None:
    text = render(load(), Message("formulation.amoxicillin-suspension-125mg-5ml"))
    assert "125 mg/5 mL" in text


def test_a_template_is_split_into_words_and_names() -> None:
    assert split("{a}b{c_d}") == ("", "a", "b", "c_d", "")
    assert placeholders("{a}b{c_d}{a}") == {"a", "c_d"}
    assert literal("{a}b{c_d} {E}") == "b {E}"
