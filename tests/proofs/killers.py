"""Which tests of CI are asked about a mutant, by the module of the engine that it is in.

Every module is asked of the engine's own tests and of the stored answers of `examples/`. What only
a writer or the check of drafted orders calls is asked of the tests of those too.
"""

_STORIES = "tests/test_examples.py::test_the_answer_is_the_stored_one"
_CARDS = "tests/test_hook_examples.py::test_the_cards_are_the_stored_ones"
_PLAIN = "tests/label/test_plain.py"
SHARED = (_STORIES, _CARDS)
"""Of these the first asks for the answer that all look at."""
ALWAYS = ("tests/engine/", "tests/proofs/test_mcdc.py", _STORIES)
_ORDERS = ("tests/fhir/test_drafts.py", "tests/web/test_hooks_orders.py", _CARDS)
_WRITERS = tuple(
    f"tests/fhir/test_write{of}.py"
    for of in ("", "_courses", "_findings", "_fluids", "_group", "_medicines", "_note", "_services")
)
_WORDS = (*_WRITERS, "tests/fhir/test_cards.py", "tests/fhir/test_gist.py", _PLAIN, _CARDS)
ELSEWHERE: dict[str, tuple[str, ...]] = {
    "check_amounts": _ORDERS,
    "check_model": _ORDERS,
    "course_words": _WORDS,
    "fluid_words": _WORDS,
    "identity": _WRITERS,
    "order_check": _ORDERS,
    "phrase": _WORDS,
    "trace": _WRITERS,
    "words": _WORDS,
}
SLOW = (
    "tests/proofs/",
    "tests/fhir/test_cards.py::test_the_cards_of_every_case_keep_the_limits",
    "tests/fhir/test_cards.py::test_every_dose_caution_and_question_of_the_answer_stands_on_a_card",
    "tests/fhir/test_cards.py::test_no_medicine_is_due_is_never_said_while_one_is_due_or_runs",
    "tests/fhir/test_cards.py::test_an_emergency_and_an_urgent_referral_are_critical",
    f"{_PLAIN}::test_the_plan_of_a_case_fits_the_terminal",
    f"{_PLAIN}::test_every_caution_and_every_dose_of_a_case_is_told",
)
"""Every case at a time: asked of a survivor only by `--thorough`."""
EVERY = tuple(sorted({*ALWAYS, *(each for tests in ELSEWHERE.values() for each in tests)}))


def of(function: str) -> tuple[str, ...]:
    """Beginnings of the names of the tests asked beside `ALWAYS`, for a function by full name."""
    return ELSEWHERE.get(function.split(".")[2], ())
