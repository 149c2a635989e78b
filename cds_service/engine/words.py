"""Small joins of messages that several parts of the engine share."""

from cds_service.content.model import Message


def listed(messages: tuple[Message, ...]) -> Message:
    """Join one or more messages into one: "a; b; c"."""
    first, *rest = messages
    for message in rest:
        first = Message("list", (("first", first), ("next", message)))
    return first
