"""The issuers whose tokens are taken, from one file that the operator writes.

{"issuers": [
  {"issuer": "https://records.marrow-vale.example", "use": "client",
   "keys_url": "https://records.marrow-vale.example/jwks.json",
   "tenant": "marrow-vale", "caller": "tolm-ford", "roles": ["call"]}
]}
"""

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from cds_service.access.roles import Role
from cds_service.errors import SettingsError

NAME = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"
"""A name that goes into the log for ever: of an organisation or a client, never of a person."""
_Name = Annotated[str, StringConstraints(pattern=NAME)]
_Url = Annotated[
    str,
    StringConstraints(
        pattern=r"^(https://[^\s@#?]+|http://(127\.0\.0\.1|localhost|\[::1\])(:\d+)?/[^\s@#?]*)$"
    ),
]


class Issuer(BaseModel):
    """One issuer. `use` "client": it signs a token for each call itself, as CDS Hooks clients do;
    "server": it is an authorization server whose access tokens are used until they expire.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    issuer: Annotated[str, StringConstraints(min_length=1, max_length=500)]
    use: Literal["client", "server"]
    keys: dict[str, Any] | None = None
    """A JWK Set (RFC 7517) in this very file."""
    keys_file: Path | None = None
    keys_url: _Url | None = None
    tenant: _Name
    caller: _Name | None = None
    """Needed of a client; of a server the token's `client_id` tells."""
    roles: Annotated[frozenset[Role], Field(min_length=1)]
    """The most that a token of this issuer may be good for."""
    token_endpoint: _Url | None = None
    """Of a server: where clients get their access tokens (told at smart-configuration)."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        given = [each for each in (self.keys, self.keys_file, self.keys_url) if each is not None]
        if len(given) != 1:
            raise ValueError("one of keys, keys_file and keys_url is needed")
        if self.use == "client" and self.caller is None:
            raise ValueError("a client needs the name that the log gives it: caller")
        if self.use == "client" and self.token_endpoint is not None:
            raise ValueError("a client has no token_endpoint")
        return self


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")

    issuers: Annotated[list[Issuer], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = [each.issuer for each in self.issuers]
        if len(set(names)) < len(names):
            raise ValueError("an issuer is named twice")
        return self


def load_issuers(path: Path) -> tuple[Issuer, ...]:
    """Read the file; raises SettingsError with everything that is wrong in it."""
    try:
        found = _File.model_validate_json(path.read_bytes()).issuers
    except OSError as error:
        raise SettingsError((f"{path}: cannot be read: {error.strerror}",)) from error
    except ValidationError as error:
        raise SettingsError(
            tuple(f"{path}: {_place(each['loc'])}{each['msg']}" for each in error.errors())
        ) from None
    return tuple(_beside(each, path.parent) for each in found)


def _beside(issuer: Issuer, folder: Path) -> Issuer:
    """A file of keys is looked for beside the file that names it."""
    if issuer.keys_file is None:
        return issuer
    return issuer.model_copy(update={"keys_file": folder / issuer.keys_file.expanduser()})


def _place(where: tuple[int | str, ...]) -> str:
    """The place in the file.

    >>> _place(("issuers", 0, "tenant")), _place(())
    ('issuers[0].tenant: ', '')
    """
    parts = [f"[{each}]" if isinstance(each, int) else f".{each}" for each in where]
    return f"{''.join(parts).lstrip('.')}: " if parts else ""
