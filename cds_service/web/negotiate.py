"""What the caller's headers ask for (RFC 9110, RFC 7240), reduced to what we can do."""

import re
from collections.abc import Iterable, Mapping

FHIR_JSON = "application/fhir+json; charset=utf-8"
"""Media type of every FHIR answer (FHIR R4 http.html#mime-type)."""

_JSON = frozenset({"application/fhir+json", "application/json"})
_RANGES = _JSON | {"*/*", "application/*", "text/json"}
_FORMATS = _JSON | {"json", "text/json"}
_VERSIONS = (None, "4.0", "4.0.1")
_KEY = re.compile(r'"(?P<quoted>[A-Za-z0-9._~:+/=-]{16,128})"|(?P<bare>[A-Za-z0-9._~:-]{16,128})')
REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


def is_json(content_type: str) -> bool:
    """Whether a body so declared is one we read: FHIR JSON or plain JSON, in UTF-8.

    >>> is_json("application/fhir+json; charset=UTF-8"), is_json("application/json")
    (True, True)
    >>> is_json("application/fhir+json; charset=utf-16"), is_json("application/fhir+xml")
    (False, False)
    """
    media, _, parameters = content_type.partition(";")
    if media.strip().lower() not in _JSON:
        return False
    charset = _parameter(parameters, "charset")
    return charset is None or charset.lower() in ("utf-8", "utf8")


def is_our_version(media_type: str) -> bool:
    """Whether its `fhirVersion` is R4, or not said (FHIR R4 http.html#version-parameter).

    >>> is_our_version("application/fhir+json; fhirVersion=4.0"), is_our_version("")
    (True, True)
    >>> is_our_version("application/fhir+json; charset=utf-8; fhirVersion=5.0")
    False
    """
    return _parameter(media_type.partition(";")[2], "fhirversion") in _VERSIONS


def accepts_json(accept: str) -> bool:
    """Whether the answer may be JSON; an empty header accepts anything.

    >>> accepts_json(""), accepts_json("text/html, */*;q=0.1"), accepts_json("application/json")
    (True, True, True)
    >>> accepts_json("application/fhir+xml"), accepts_json("application/fhir+json;q=0")
    (False, False)
    >>> accepts_json("application/fhir+json; fhirVersion=5.0")
    False
    """
    if not accept.strip():
        return True
    ours = ",".join(element for element in accept.split(",") if is_our_version(element))
    return any(media in _RANGES for media, quality in _weighted(ours) if quality > 0)


def media_wanted(accept: str, forms: Mapping[str, str]) -> str:
    """Which of `forms` (name to media type) is wanted most; the first when any will do; or "".

    >>> media_wanted("text/html, */*;q=0.1", {"pdf": "application/pdf", "html": "text/html"})
    'html'
    >>> media_wanted("", {"pdf": "application/pdf"}), media_wanted("text/csv", {})
    ('pdf', '')
    """
    wishes = [each for each in _weighted(accept or "*/*") if each[1] > 0]
    for wish, _ in sorted(wishes, key=lambda each: -each[1]):
        for name, media in forms.items():
            kind = media.partition(";")[0]
            if wish in (kind, f"{kind.partition('/')[0]}/*", "*/*"):
                return name
    return ""


def is_json_format(value: str) -> bool:
    """Whether FHIR's `_format` parameter asks for JSON; a plus sign may have become a space.

    >>> is_json_format("json"), is_json_format("application/fhir json"), is_json_format("xml")
    (True, True, False)
    """
    media = value.partition(";")[0].strip().lower().replace(" ", "+")
    return media in _FORMATS and is_our_version(value)


def wanted_languages(accept_language: str) -> tuple[str, ...]:
    """The languages of Accept-Language, the most wanted first.

    >>> wanted_languages("fr;q=0.3, sw, en-GB;q=0.8, *;q=0.1, de;q=0")
    ('sw', 'en-gb', 'fr', '*')
    """
    wished = [(tag, quality) for tag, quality in _weighted(accept_language) if quality > 0]
    return tuple(tag for tag, _ in sorted(wished, key=lambda wish: -wish[1]))


def sane_request_id(given: str) -> bool:
    """Whether the caller's request id may be repeated in headers and log lines.

    >>> sane_request_id("tolm-ford.0017"), sane_request_id("a b"), sane_request_id("x" * 65)
    (True, False, False)
    """
    return REQUEST_ID.fullmatch(given) is not None


def idempotency_key(header: str) -> str | None:
    """The key of an Idempotency-Key header; "" when there is none, None when it is not usable.

    draft-ietf-httpapi-idempotency-key-header-07: a String of RFC 8941, in quotation marks. What
    most clients send, the bare key, is the same key. A fixed form, as its security considerations
    ask for: 16 to 128 letters, digits and `._~:+/=-`, so that nobody counts 1, 2, 3.

    >>> idempotency_key('"8e03978e-40d5-43e8-bc93-6894a57f9324"')
    '8e03978e-40d5-43e8-bc93-6894a57f9324'
    >>> idempotency_key("8e03978e-40d5-43e8-bc93-6894a57f9324") == _
    True
    >>> idempotency_key(""), idempotency_key('"short"'), idempotency_key('"a", "b"')
    ('', None, None)
    """
    if not header.strip():
        return ""
    found = _KEY.fullmatch(header.strip())
    return (found["quoted"] or found["bare"]) if found else None


def _weighted(header: str) -> Iterable[tuple[str, float]]:
    """Each element of a list header with its quality; a quality that is no number counts as 0."""
    for element in header.split(","):
        value, _, parameters = element.partition(";")
        if value.strip():
            yield value.strip().lower(), _quality(_parameter(parameters, "q"))


def _quality(text: str | None) -> float:
    if text is None:
        return 1.0
    return float(text) if re.fullmatch(r"[01](\.\d{0,3})?", text) else 0.0


def _parameter(parameters: str, name: str) -> str | None:
    for parameter in parameters.split(";"):
        key, _, value = parameter.partition("=")
        if _name(key) == name:
            return value.strip().strip('"')
    return None


def _name(text: str) -> str:
    return text.strip().lower()
