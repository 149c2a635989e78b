"""Which part of an address can be the id of a resource (FHIR R4 datatypes.html#id).

Without it `GET .../_search` and `GET .../$replay` would be reads of a resource of that name: 404
for what is there and has other methods (405).
"""

from starlette.convertors import Convertor, register_url_convertor

ID = "{id:fhirid}"
"""Stands for an id in the path of a route."""


class _Id(Convertor[str]):
    regex = r"[A-Za-z0-9.\-]{1,64}"

    def convert(self, value: str) -> str:
        return value

    def to_string(self, value: str) -> str:
        return value


register_url_convertor("fhirid", _Id())
