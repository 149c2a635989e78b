"""The settings, all from environment variables with the prefix CDS_; the only reader of them.

`Settings.read()` fails at once and lists everything that is wrong. `Settings.service()` builds
the service: content loaded and checked, log open.
"""

import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Self

from pydantic import ValidationError

from cds_service import __version__
from cds_service.access.issuers import load_issuers
from cds_service.access.seen import SqliteSeen
from cds_service.access.token import Access
from cds_service.audit.keys import first_key, load_signer
from cds_service.audit.note import Signer
from cds_service.audit.seal import load_sealer
from cds_service.audit.sqlite import SqliteStore
from cds_service.audit.sqlite_file import layout
from cds_service.audit.sqlite_layout import VERSION
from cds_service.audit.sqlite_take_over import Described
from cds_service.audit.store import Store
from cds_service.content.load import every_layer, load
from cds_service.content.treatment import Protocol
from cds_service.errors import SettingsError
from cds_service.fhir.described import described
from cds_service.service import Service, local_now
from cds_service.service.deciding import Decider
from cds_service.service.spans import Spans, Traced
from cds_service.settings.fields import POSTGRESQL, SQLITE, Fields
from cds_service.settings.findings import Wrong, finding, misspelt
from cds_service.settings.values import listed, names_of, paths, place, role_and_place

_NEEDS_EXTRA = "CDS_TELEMETRY_URL: needs: pip install 'cds-service[telemetry]'"


def is_for_collector() -> bool:
    """Whether CDS_OUTPUT says exactly `json`; known also while other settings are wrong."""
    return os.environ.get("CDS_OUTPUT") == "json"


class Settings(Fields):
    """What the service is run with."""

    @classmethod
    def read(cls, **given: Any) -> Self:
        """Read the environment; what is `given` (and not None) goes before it.

        Raises SettingsError with every wrong setting. Values are not repeated in it: one may
        hold a password.
        """
        settings, wrong = cls.tried(**given)
        if settings is None or wrong:
            raise SettingsError(tuple(each.what for each in wrong))
        return settings

    @classmethod
    def tried(cls, **given: Any) -> tuple[Self | None, tuple[Wrong, ...]]:
        """The same with what is wrong beside it; None when a value cannot be used."""
        wrong = tuple(misspelt(os.environ, list(cls.model_fields)))
        try:
            return cls(**{name: value for name, value in given.items() if value is not None}), wrong
        except ValidationError as error:
            return None, wrong + tuple(
                finding(problem, cls.model_fields[str(problem["loc"][0])].description)
                for problem in error.errors()
            )

    @property
    def in_postgresql(self) -> bool:
        """Whether the log is in PostgreSQL."""
        return self.database_url.startswith(POSTGRESQL)

    @property
    def log(self) -> str:
        """Where the log is, in words without a password."""
        if self.in_postgresql:
            return place(self.database_url)
        return str(self.database)

    @property
    def shown_database_url(self) -> str:
        """Where the log is and by which role, as it is set, but without what is secret."""
        return role_and_place(self.database_url) if self.in_postgresql else self.database_url

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
        return Path(self.database_url.removeprefix(SQLITE)).expanduser()

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
        return Access(issuers, self.public_url, SqliteSeen(self.tokens))

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
    def tokens(self) -> Path:
        """The list of used tokens, with SQLite."""
        return self.database.with_name(f"{self.database.name}.tokens")

    @property
    def key_files(self) -> list[Path]:
        """The files of the keys that sign; the first is the oldest."""
        beside = self.database.with_name(f"{self.database.name}.key")
        return paths(self.log_key_file) or [beside]
