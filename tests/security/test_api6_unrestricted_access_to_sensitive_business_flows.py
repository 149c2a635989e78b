"""API6:2023 Unrestricted Access to Sensitive Business Flows (OWASP API Security Top 10,
editions/2023/en/0xa6). The flow here is a recommendation: asked, recorded, fed back on. What a
machine may do to harm it: fill the log, make retries count twice, pretend what became of it.
"""

import asyncio

from tests.access.tokens import APPLY
from tests.web.conftest import ACCEPTED, said
from tests.web.sample import body

from .asking import FORM, JSON, Asking, token

KEY = (b"idempotency-key", b'"3e6a1f0c-44a1-4b52"')


def test_a_retry_makes_no_second_entry(asking: Asking) -> None:
    for _ in range(3):
        assert asking("POST", APPLY, JSON, KEY, token("call"), content=body()).status == 200
    assert asyncio.run(asking.service.store.size()) == 1


def test_a_key_is_not_turned_to_another_request(asking: Asking) -> None:
    assert asking("POST", APPLY, JSON, KEY, token("call"), content=body()).status == 200
    changed = body(subject={"valueString": "Patient/orla-fenn "})
    assert asking("POST", APPLY, JSON, KEY, token("call"), content=changed).status == 422


def test_feedback_is_about_what_was_recommended_only(asking: Asking) -> None:
    for decision in ("nothing", "0", "%", "..", "x" * 64):
        path = f"/fhir/GuidanceResponse/{decision}/$feedback"
        assert asking("POST", path, JSON, token("call"), content=said(**ACCEPTED)).status == 404
    assert asyncio.run(asking.service.store.size()) == 0


def test_every_recommendation_says_who_asked_for_it(asking: Asking) -> None:
    asking("POST", APPLY, JSON, token("call", client_id="ward-3"), content=body())
    asking("POST", "/", FORM, token("call"), content=b"example=01-fever-refer-or-treat")
    callers = []
    for index in range(2):
        logged = asyncio.run(asking.service.store.get(index))
        assert logged is not None
        callers.append(logged.head.origin.caller)
    assert callers == ["ward-3", "tolm-ford.try-page"]
