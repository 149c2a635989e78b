"""The settings, all from environment variables with the prefix CDS_; the only reader of them.

`Settings.read()` fails at once and lists everything that is wrong. `Settings.service()` builds
the service: content loaded and checked, log open.
"""

import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, ValidationInfo, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from cds_service import __version__
from cds_service.access.issuers import load_issuers
from cds_service.access.seen import SqliteSeen
from cds_service.access.token import Access
from cds_service.audit.keys import first_key, load_signer
from cds_service.audit.note import Signer, VerifierKey
from cds_service.audit.seal import load_sealer
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.sqlite_file import layout
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.sqlite_take_over import Described
from cds_service.audit.store import Store
from cds_service.content.load import editions, every_layer, layers, load, packaged
from cds_service.content.treatment import Protocol
from cds_service.errors import LogProofError, SettingsError
from cds_service.fhir.described import described
from cds_service.service import Service, local_now
from cds_service.service.deciding import Decider
from cds_service.service.spans import Spans, Traced
from cds_service.settings.findings import finding, misspelt
from cds_service.settings.values import (
    RATE,
    default_database,
    host_of,
    is_host,
    is_loopback,
    is_origin,
    listed,
    names_of,
    paths,
    place,
)

_SQLITE = "sqlite:///"
_POSTGRESQL = "postgresql://"
_NEEDS_EXTRA = "CDS_TELEMETRY_URL: needs: pip install 'cds-service[telemetry]'"


class Settings(BaseSettings):
    """Every setting: the field `host` is the variable CDS_HOST, and so on."""

    model_config = SettingsConfigDict(env_prefix="CDS_", env_ignore_empty=True, frozen=True)

    database_url: Annotated[
        str,
        Field(
            default_factory=lambda: f"{_SQLITE}{default_database(os.environ)}",
            description="sqlite:///path, the log's file on a local disk; or the address of a "
            "PostgreSQL database, postgresql://role@host/database",
        ),
    ]
    base: Annotated[
        str,
        Field(
            pattern=r"^https?://[^\s?#]*[^\s?#/]$",
            description="an http(s) address without a slash at the end (canonical base)",
        ),
    ] = "http://cds-service.example/fhir"
    protocol: Annotated[str, Field(description="the id of a protocol")] = "sick-young-infant"
    edition: Annotated[
        str, Field(description="the version of an edition, or nothing for that of the base")
    ] = ""
    adaptation: Annotated[
        str, Field(description="the id of a national adaptation of that edition, or nothing")
    ] = ""
    issuers_file: Annotated[
        str, Field(description="the file that lists the issuers whose tokens are taken")
    ] = ""
    public_url: Annotated[
        str,
        Field(
            validate_default=True,
            pattern=r"^(https?://[^\s?#]*[^\s?#/])?$",
            description="the address that callers know the service by, https://cds.example, "
            "without a slash at the end",
        ),
    ] = ""
    host: Annotated[str, Field(description="an address to listen on")] = "127.0.0.1"
    host_names: Annotated[
        str,
        Field(
            description="names without a port, separated by commas, by which this machine is asked "
            "beside localhost while nobody has to log in"
        ),
    ] = ""
    port: Annotated[
        int, Field(ge=0, le=65535, description="a TCP port from 0 (any that is free) to 65535")
    ] = 8080
    max_body_bytes: Annotated[
        int, Field(ge=1024, description="a number of bytes, at least 1024 (largest request)")
    ] = 1024 * 1024
    max_batch_entries: Annotated[
        int, Field(ge=1, le=10_000, description="a number of entries, 1 to 10000 (largest batch)")
    ] = 100
    max_concurrent: Annotated[
        int, Field(ge=1, description="a number of requests, at least 1 (worked on at once)")
    ] = 64
    max_waiting: Annotated[
        int, Field(ge=0, description="a number of requests (waiting for a place)")
    ] = 512
    body_seconds: Annotated[
        float, Field(gt=0, description="a number of seconds (for a whole request to arrive)")
    ] = 20
    rate_limit: Annotated[
        str,
        Field(
            pattern=rf"^({RATE})?$",
            description="how often one caller may ask, such as 600/minute, or nothing",
        ),
    ] = ""
    refused_limit: Annotated[
        str,
        Field(
            pattern=rf"^({RATE})?$",
            description="how many tokens of one address may be refused, such as 300/minute, or "
            "nothing",
        ),
    ] = "300/minute"
    output: Annotated[
        Literal["text", "json"], Field(description="text or json (lines on standard error)")
    ] = "text"

    telemetry_url: Annotated[
        str,
        Field(
            pattern=r"^(https?://[^\s@]+)?$",
            description="the address of a collector that takes OTLP over HTTP, such as "
            "http://127.0.0.1:4318/v1/traces, or nothing",
        ),
    ] = ""
    cors_origins: Annotated[
        str,
        Field(
            description="origins such as https://record.example, separated by commas, whose pages "
            "may call CDS Hooks; never *"
        ),
    ] = ""
    log_key_file: Annotated[
        str,
        Field(
            validate_default=True,
            description="the file of the key that signs the log, or several separated by commas",
        ),
    ] = ""
    log_name: Annotated[
        str,
        Field(pattern=r"^[^\s+]*$", description="a name of the log without spaces and plus signs"),
    ] = ""
    payload_key_file: Annotated[
        str,
        Field(
            description="the file of the key that encrypts payloads, or several separated by commas"
        ),
    ] = ""
    log_verifier: Annotated[
        str,
        Field(
            description="the key that verifies the log, as `cds-service log-key` prints it, or "
            "several separated by commas"
        ),
    ] = ""
    retention_days: Annotated[
        int, Field(ge=0, description="a number of days, or 0 to keep everything (retention)")
    ] = 0

    @field_validator("database_url")
    @classmethod
    def _database(cls, url: str) -> str:
        if url.startswith(_POSTGRESQL):
            place(url)
        elif not url.startswith(_SQLITE) or url == _SQLITE:
            raise ValueError
        return url

    @field_validator("log_key_file")
    @classmethod
    def _outside_the_database(cls, files: str, info: ValidationInfo) -> str:
        url: str = info.data.get("database_url", "")
        if not paths(files) and url.startswith(_POSTGRESQL):
            raise ValueError(
                "with PostgreSQL the key that signs the log must be named; all replicas have the "
                "same. To make one: cds-service log-key --make FILE"
            )
        return files

    @field_validator("log_verifier")
    @classmethod
    def _verifies(cls, keys: str) -> str:
        try:
            for key in listed(keys):
                VerifierKey.parse(key)
        except LogProofError:
            raise ValueError from None
        return keys

    @field_validator("cors_origins")
    @classmethod
    def _origins(cls, origins: str) -> str:
        if not all(map(is_origin, listed(origins))):
            raise ValueError
        return origins

    @field_validator("host_names")
    @classmethod
    def _without_port(cls, names: str) -> str:
        if not all(is_host(each) for each in listed(names)):
            raise ValueError
        return names

    @field_validator("protocol")
    @classmethod
    def _packaged(cls, protocol: str) -> str:
        if protocol not in packaged():
            raise ValueError(f"there is no such protocol; there is: {', '.join(packaged())}")
        return protocol

    @field_validator("edition", "adaptation")
    @classmethod
    def _laid_over(cls, name: str, info: ValidationInfo) -> str:
        kind, protocol = str(info.field_name), info.data.get("protocol")
        known: tuple[str, ...] = (name,)
        if protocol is not None:
            known = editions(protocol) if kind == "edition" else layers(protocol, kind)
        if name and name not in known:
            raise ValueError(f"there is no such {kind}; there is: {', '.join(known)}")
        return name

    @field_validator("public_url")
    @classmethod
    def _known_by(cls, url: str, info: ValidationInfo) -> str:
        if info.data.get("issuers_file") and not url:
            raise ValueError(
                "with CDS_ISSUERS_FILE it is needed: a token says for which address it is"
            )
        # Or a line lost from the settings would open a service behind a proxy to everybody.
        if url and not info.data.get("issuers_file") and not is_loopback(host_of(url)):
            raise ValueError(
                "others call this service by it: list the issuers of their tokens in a file and "
                "name it in CDS_ISSUERS_FILE, or leave it out"
            )
        return url

    @field_validator("host")
    @classmethod
    def _local_unless_secured(cls, host: str, info: ValidationInfo) -> str:
        if not is_loopback(host) and not info.data.get("issuers_file"):
            raise ValueError(
                "beyond this machine callers must be known: list the issuers of their tokens in "
                "a file and name it in CDS_ISSUERS_FILE, or listen on 127.0.0.1"
            )
        return host

    @classmethod
    def read(cls, **given: Any) -> Self:
        """Read the environment; what is `given` (and not None) goes before it.

        Raises SettingsError with every wrong setting. Values are not repeated in it: one may
        hold a password.
        """
        findings = list(misspelt(os.environ, list(cls.model_fields)))
        try:
            settings = cls(**{name: value for name, value in given.items() if value is not None})
        except ValidationError as error:
            findings += [
                finding(problem, cls.model_fields[str(problem["loc"][0])].description)
                for problem in error.errors()
            ]
        if findings:
            raise SettingsError(tuple(findings))
        return settings

    @property
    def in_postgresql(self) -> bool:
        """Whether the log is in PostgreSQL."""
        return self.database_url.startswith(_POSTGRESQL)

    @property
    def log(self) -> str:
        """Where the log is, in words without a password."""
        if self.in_postgresql:
            return place(self.database_url)
        return str(self.database)

    @property
    def origins(self) -> tuple[str, ...]:
        """The origins whose pages may call CDS Hooks."""
        return listed(self.cors_origins)

    @property
    def names(self) -> tuple[str, ...]:
        """The names by which it is asked while nobody has to log in; none with CDS_ISSUERS_FILE."""
        if self.issuers_file:
            return ()
        return names_of(self.host, listed(self.host_names))

    @property
    def database(self) -> Path:
        """The log's file, with SQLite."""
        return Path(self.database_url.removeprefix(_SQLITE)).expanduser()

    def content(self) -> Protocol:
        """The protocol in the edition and adaptation that were chosen; raises ContentError."""
        return load(protocol_id=self.protocol, edition=self.edition, adaptation=self.adaptation)

    def spans(self) -> Spans | None:
        """What times each answer, None when nobody collects it; raises SettingsError."""
        if not self.telemetry_url:
            return None
        try:
            from cds_service.settings.telemetry import sending_to
        except ImportError:
            raise SettingsError((_NEEDS_EXTRA,)) from None
        return sending_to(self.telemetry_url)

    def service(self, spans: Spans | None = None) -> Service:
        """Load the content, open the log; raises ContentError, SettingsError or LogUnavailable.

        With `spans` the parts of each answer are timed.
        """
        made: Callable[..., Service] = Service if spans is None else partial(Traced, spans)
        return made(
            self.content(),
            self.store(),
            base=self.base,
            code_version=__version__,
            retention_days=self.retention_days,
            others=self.others,
        )

    def decider(self) -> Decider:
        """Load the content, and leave the log closed; raises ContentError."""
        return Decider(self.content(), base=self.base, code_version=__version__, clock=local_now)

    def access(self) -> Access | None:
        """What checks tokens, None when nobody has to log in; raises SettingsError, LogUnavailable.

        Used tokens are remembered beside the log.
        """
        if not self.issuers_file:
            return None
        issuers = load_issuers(Path(self.issuers_file).expanduser())
        if self.in_postgresql:
            from cds_service.access.seen_postgres import PostgresSeen

            return Access(issuers, self.public_url, PostgresSeen(self.database_url))
        used = self.database.with_name(f"{self.database.name}.tokens")
        return Access(issuers, self.public_url, SqliteSeen(used))

    def store(self) -> Store:
        """Open the log; raises SettingsError or LogUnavailable."""
        signer, sealer = self.signer(), load_sealer(paths(self.payload_key_file))
        if self.in_postgresql:
            from cds_service.audit.postgres import PostgresStore

            return PostgresStore(self.database_url, signer, sealer=sealer)
        return SqliteStore(
            self.database,
            signer,
            sealer=sealer,
            describe=lambda _, response: Described(*described(response)),
            clock=local_now,
            code_version=__version__,
        )

    def others(self) -> Iterator[Protocol]:
        """The editions and adaptations of the protocol that are not in use; raises ContentError."""
        in_use = self.edition, self.adaptation
        for edition, adaptation in every_layer(self.protocol):
            if (edition, adaptation) != in_use:
                yield load(protocol_id=self.protocol, edition=edition, adaptation=adaptation)

    def signer(self) -> Signer:
        """What signs the log's checkpoints; raises SettingsError.

        Unless a key is named it is the file beside the log. It is made with a new log, and only
        then: whoever lost the key of a log must not go on under another without noticing.
        """
        if not self.log_key_file and layout(self.database) < VERSION:
            first_key(self.key_files[0])
        return load_signer(self.origin, self.key_files)

    @property
    def origin(self) -> str:
        """The name of the log, under which it signs."""
        return self.log_name or self.base.partition("://")[2]

    @property
    def key_files(self) -> list[Path]:
        """The files of the keys that sign; the first is the oldest."""
        beside = self.database.with_name(f"{self.database.name}.key")
        return paths(self.log_key_file) or [beside]
