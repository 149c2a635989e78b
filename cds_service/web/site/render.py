"""How a page is made and goes out: Jinja2 with escaping, and a policy that runs no foreign script.

What is missing in a template is an error (StrictUndefined), never an empty place on a page.
"""

import re
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import Response

from cds_service import __version__
from cds_service.web.site.statics import address
from cds_service.web.site.words import english

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy (CSP level 3) of every page: nothing inline, nothing from elsewhere."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mL|mg|kg|g|IU|%|°C)(?![A-Za-z]))")
HTML = "text/html; charset=utf-8"


@cache
def environment() -> Environment:
    """The templates of the package."""
    made = Environment(
        loader=PackageLoader("cds_service.web.site"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["tied"] = tied
    made.globals.update(static=address, version=__version__, say=english(), en="")
    return made


def tied(text: str) -> str:
    """The text with each number tied to its unit: no line may end between the two.

    >>> tied("give 2.5 mL now") == "give 2.5\u00a0mL now"
    True
    """
    return _BEFORE_UNIT.sub("\u00a0", text)


def is_part(request: Request) -> bool:
    """Whether htmx asks, for a part of the page that it already shows."""
    return request.headers.get("hx-request") == "true"


def page(template: str, status: int = 200, **shown: Any) -> Response:
    """One page or part of one, from a template and what it shows."""
    text = environment().get_template(template).render(shown)
    headers = {"content-security-policy": POLICY, "referrer-policy": "same-origin"}
    return Response(text, status, headers, media_type=HTML)
