"""Style sheet and scripts: from the package, unchanged, kept by browsers for ever."""

import hashlib
import re

import pytest
from jinja2 import UndefinedError

from cds_service.web.site.render import POLICY, environment
from cds_service.web.site.statics import address, statics
from tests.web.conftest import Call

HTMX = "htmx-2.0.11.min.js"
PUBLISHED = "d6fdc75f204e6bdefa99b69bf1e6d4ac69b8a364f77929f45c13476b4000f717"
"""SHA-256 of dist/htmx.min.js in the npm package htmx.org 2.0.11."""


def test_a_file_is_served_with_its_type_and_may_be_kept(call: Call) -> None:
    answer = call("GET", address("site.css"))

    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]
    assert answer.content == statics()["site.css"].body
    again = call("GET", address("site.css"), headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize("path", ["/static/000000000000/site.css", "/static/x/none", "/static/"])
def test_what_is_not_there_is_not_found(call: Call, path: str) -> None:
    assert call("GET", path).status_code == 404


def test_htmx_is_as_it_was_published() -> None:
    assert hashlib.sha256(statics()[HTMX].body).hexdigest() == PUBLISHED


def test_no_file_asks_for_one_of_another_server() -> None:
    for name, static in statics().items():
        if name not in (HTMX, "htmx-2.0.11.LICENSE.txt"):
            found = re.findall(rb"(?:https?:)?//[a-z][^ \"')]*", static.body)
            assert set(found) <= {b"http://www.w3.org/2000/svg"}, name


def test_what_is_shown_is_escaped_and_nothing_may_run_inline() -> None:
    made = environment().from_string("{{ name }}").render(name="<script>")

    assert made == "&lt;script&gt;"
    assert "unsafe" not in POLICY


def test_what_is_missing_is_an_error_and_not_an_empty_place() -> None:
    with pytest.raises(UndefinedError):
        environment().from_string("{{ dose }}").render()
