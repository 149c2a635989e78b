"""Every setting by its name, with what it should be; `cds_service.settings` puts them to use."""

import os
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from cds_service.audit.note import VerifierKey
from cds_service.content.load import editions, layers, packaged
from cds_service.errors import LogProofError
from cds_service.settings.values import (
    RATE,
    default_database,
    host_of,
    is_host,
    is_loopback,
    is_network,
    is_origin,
    listed,
    paths,
    place,
)

SQLITE = "sqlite:///"
POSTGRESQL = "postgresql://"
"""How the addresses of a log begin."""


class Fields(BaseSettings):
    """Every setting: the field `host` is the variable CDS_HOST, and so on."""

    model_config = SettingsConfigDict(env_prefix="CDS_", env_ignore_empty=True, frozen=True)

    database_url: Annotated[
        str,
        Field(
            default_factory=lambda: f"{SQLITE}{default_database(os.environ)}",
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
    proxies: Annotated[
        str,
        Field(
            description="addresses or networks, separated by commas, of the proxies that say of "
            "whom a request is (X-Forwarded-For)"
        ),
    ] = "127.0.0.1"
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
        Literal["text", "json"], Field(description="text or json (what serve writes)")
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
        if url.startswith(POSTGRESQL):
            place(url)
        elif not url.startswith(SQLITE) or url == SQLITE:
            raise ValueError
        return url

    @field_validator("log_key_file")
    @classmethod
    def _outside_the_database(cls, files: str, info: ValidationInfo) -> str:
        url: str = info.data.get("database_url", "")
        if not paths(files) and url.startswith(POSTGRESQL):
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

    @field_validator("proxies")
    @classmethod
    def _addresses(cls, proxies: str) -> str:
        if not all(map(is_network, listed(proxies))):
            raise ValueError
        return proxies

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
