"""A Message (text key and values) -> words."""

from cds_service.content.model import Message
from cds_service.content.template import split
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError


def render(protocol: Protocol, message: Message) -> str:
    """The English words of a message; values that are Messages are rendered inside.

    Raises ContentError when the key has no text, or the text has a placeholder without a value.
    """
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
