"""A Message (text key and values) -> words."""

from cds_service.content.bidi import isolated
from cds_service.content.catalogue import ENGLISH
from cds_service.content.model import Message
from cds_service.content.template import split
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError


def render(protocol: Protocol, message: Message, language: str = ENGLISH) -> str:
    """The words of a message in a language of the protocol; Messages inside are rendered too.

    A sentence that is not wholly translated is English. Raises ContentError when the key has no
    English text, or the text has a placeholder without a value.
    """
    if language != ENGLISH:
        return translated(protocol, message, language) or render(protocol, message)
    text = protocol.text_by_key.get(message.key)
    if text is None:
        raise ContentError((f"translations/en: no text {message.key}; write it",))
    template = split(text)
    if len(template) == 1:
        return template[0]
    values = dict(message.values)
    parts = list(template)
    for place in range(1, len(template), 2):
        parts[place] = _filled(protocol, message.key, values, template[place])
    return "".join(parts)


def _filled(
    protocol: Protocol, key: str, values: "dict[str, str | Message]", placeholder: str
) -> str:
    if placeholder not in values:
        raise ContentError((f"translations/en: {key} has no value for {{{placeholder}}}",))
    value = values[placeholder]
    return render(protocol, value) if isinstance(value, Message) else value


def translated(protocol: Protocol, message: Message, language: str) -> str:
    """The words of a message in another language; "" when any part of it is not translated.

    In a language that runs from right to left every number is isolated with its unit.
    """
    text = protocol.words_by_language[language].get(message.key)
    if text is None:
        return ""
    as_said = isolated if protocol.catalogue_by_language[language].runs_left else str
    values, parts = dict(message.values), list(split(text))
    for place in range(1, len(parts), 2):
        value = values[parts[place]]  # those of the English text: check_catalogues
        told = translated(protocol, value, language) if isinstance(value, Message) else value
        if isinstance(value, Message) and not told:
            return ""
        parts[place] = as_said(told)
    return as_said("".join(parts))
