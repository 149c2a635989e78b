"""Whether the service would start with the settings of now, without starting it.

Everything that a start does before it listens is looked at, and nothing is made, brought to
another layout, recorded or used up. The port is not tried: a service that runs has it.
"""

import os
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from pydantic import ValidationInfo, ValidatorFunctionWrapHandler, field_validator

from cds_service.access.issuers import load_issuers
from cds_service.access.looking import looked_at
from cds_service.errors import ContentError, SettingsError
from cds_service.service.starting import known_case
from cds_service.settings import Settings
from cds_service.settings.checking_log import log_parts
from cds_service.settings.part import Part, not_looked_at

_CHOOSE = {"protocol", "edition", "adaptation"}


class _Defaults(Settings):
    """The settings, with the default for each that is wrong: so the others can be looked at."""

    @field_validator("*", mode="wrap")
    @classmethod
    def _else_default(
        cls, value: Any, handler: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> Any:
        try:
            return handler(value)
        except ValueError:
            field = cls.model_fields[str(info.field_name)]
            return field.get_default(call_default_factory=True)


def parts() -> Iterator[Part]:
    """Each part that a start needs, as soon as it is known; one that is wrong stops no other.

    A part that depends on a setting that is wrong is not looked at, and told as wrong.
    """
    settings, wrong = Settings.tried()
    unsure = {each.name for each in wrong}
    settings = settings or _Defaults.model_validate({})
    told = f"{len(settings.model_fields_set)} of {len(Settings.model_fields)} are set"
    yield Part("settings", _asked_by(told), tuple(each.what for each in wrong))
    bad = _CHOOSE & unsure
    yield not_looked_at("content", bad) if bad else _content(settings)
    yield from log_parts(settings, unsure)
    if "issuers_file" in unsure:
        yield not_looked_at("issuers", {"issuers_file"})
    else:
        yield from _issuers(settings)
    if settings.telemetry_url:
        yield _telemetry(settings)
    if "host" not in unsure:
        yield _host(settings.host)


def _asked_by(told: str) -> str:
    if os.geteuid():
        return told
    return f"{told}; looked at as root, who may read and write what the service's user may not"


def _content(settings: Settings) -> Part:
    try:
        decider = settings.decider()
    except ContentError as error:
        return Part("content", wrong=error.findings)
    told = f"{decider.protocol.name}; the known infant gets every class and dose that is known"
    return Part("content", told, tuple(known_case(decider)))


def _issuers(settings: Settings) -> Iterator[Part]:
    if not settings.issuers_file:
        yield Part("issuers", "none: nobody has to log in")
        return
    try:
        issuers = load_issuers(Path(settings.issuers_file).expanduser())
    except SettingsError as error:
        yield Part("issuers", wrong=error.findings)
        return
    for each in looked_at(issuers):
        yield Part(f"issuer {each.issuer}", f"{each.keys} usable keys", each.wrong)


def _telemetry(settings: Settings) -> Part:
    try:
        spans = settings.spans()
    except SettingsError as error:
        return Part("telemetry", wrong=error.findings)
    if spans is not None:
        spans.close()
    return Part("telemetry", "installed; the collector was not asked")


def _host(host: str) -> Part:
    """Whether it is an address of this machine: a free port of it is taken, not listened on."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with closing(socket.socket(family, socket.SOCK_STREAM)) as taken:
            taken.bind((host, 0))
    except OSError as error:
        return Part("host", wrong=(f"CDS_HOST: cannot listen on {host}: {error.strerror}",))
    return Part("host", f"{host} is of this machine; the port was not tried")
