"""Forms as a browser sends them, and what the page says."""

import re
from html import unescape
from typing import Any
from urllib.parse import urlencode

import httpx

from tests.web.conftest import Call

FORM = "application/x-www-form-urlencoded"


FEVER = "01-fever-refer-or-treat"
"""An example of the page."""
INFANT = {
    "ask": "1", "age": "11", "weight": "3.4", "temperature": "38.4", "temperature.site": "axillary",
    "respiratory-rate": "52", "convulsions": "no",
}  # fmt: skip
"""A form as somebody may fill it in."""


def send(call: Call, fields: Any = (), /, **headers: str) -> httpx.Response:
    """POST a form; `fields` is a mapping, or pairs where a name comes twice."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return call("POST", "/", content=urlencode(fields), headers={"content-type": FORM} | named)


def example(call: Call, name: str) -> httpx.Response:
    """The page after an example was chosen."""
    return send(call, {"example": name})


def text(answer: httpx.Response) -> str:
    """The words of a page."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def value(answer: httpx.Response, name: str) -> str:
    """What a field of the page is filled in with."""
    escaped = re.escape(name)
    typed = re.search(rf'name="{escaped}"[^>]* value="([^"]*)"', answer.text)
    chosen = re.search(rf'name="{escaped}" value="([^"]*)" checked', answer.text)
    return unescape((chosen or typed or ["", ""])[1])


def filled_in(answer: httpx.Response) -> dict[str, str]:
    """Every field of the form as a browser would send it back without a change."""
    form = answer.text[answer.text.index('class="asking"') :].partition("</form>")[0]
    found = dict(re.findall(r'<input type="radio" name="([^"]*)" value="([^"]*)" checked', form))
    found |= dict(re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', form))
    found |= dict(re.findall(r'<input id="[^"]*" name="([^"]*)"[^>]* value="([^"]*)"', form))
    for name, options in re.findall(
        r'<select id="[^"]*" name="([^"]*)"[^>]*>(.*?)</select>', form, re.DOTALL
    ):
        chosen = re.search(r'value="([^"]*)"[^>]* selected', options)
        first = re.search(r'value="([^"]*)"', options)
        found[name] = (chosen or first or ["", ""])[1]
    stock = re.findall(r'name="stock" value="([^"]*)" checked', form)
    assert stock or 'name="stock"' in form
    return {name: unescape(each) for name, each in found.items()} | {"ask": "1"}


def stock_of(answer: httpx.Response) -> list[tuple[str, str]]:
    """The ticked products, as pairs of a form."""
    ticked = re.findall(r'name="stock" value="([^"]*)" checked', answer.text)
    return [("stock", each) for each in ticked]


def again(call: Call, before: httpx.Response, **changes: str) -> httpx.Response:
    """The form of a page sent back, with other values in some fields; `_` is written for `-`."""
    named = {name.replace("_", "-"): value for name, value in changes.items()}
    return send(call, [*(filled_in(before) | named).items(), *stock_of(before)])


def shown(page: str, name: str) -> str:
    """The FHIR that the page shows under that name."""
    found = re.search(rf'<pre id="c-{name}"[^>]*>(.*?)</pre>', page, re.DOTALL)
    assert found
    return unescape(found[1])
