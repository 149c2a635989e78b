"""The settings of those who only look at the log."""

import os
from pathlib import Path

from pydantic import ValidationInfo, field_validator

from cds_service.audit import sqlite_read_only
from cds_service.audit.keys import load_signer
from cds_service.audit.note import Signer
from cds_service.audit.read_only import ReadOnly
from cds_service.audit.seal import Sealer, load_sealer
from cds_service.settings import Settings
from cds_service.settings.values import listed, paths


class AuditorSettings(Settings):
    """The same for those who only look at the log: they need no key that signs it."""

    @field_validator("log_key_file")
    @classmethod
    def _outside_the_database(cls, files: str, info: ValidationInfo) -> str:  # noqa: ARG003
        return files

    @property
    def verifiers(self) -> tuple[str, ...]:
        """The keys that verify the log's signatures, as they are given."""
        return listed(self.log_verifier)

    def own_signer(self) -> Signer | None:
        """The signer of whoever keeps the log and looks at it himself; nobody else has its key.

        Raises SettingsError when a file that is named cannot be used.
        """
        if not self.log_key_file and (self.in_postgresql or not _readable(self.key_files[0])):
            return None
        return load_signer(self.origin, self.key_files)

    def reading(self, signer: Signer | None = None) -> ReadOnly:
        """The log, only to be looked at; raises SettingsError or LogUnavailable."""
        return opened(self, load_sealer(paths(self.payload_key_file)), signer)


def opened(
    settings: Settings, sealer: Sealer, signer: Signer | None, *, untouched: bool = False
) -> ReadOnly:
    """The log that the settings name, only to be looked at; raises LogUnavailable.

    `untouched`: not even what SQLite keeps beside it for those who read is written.
    """
    if settings.in_postgresql:
        from cds_service.audit import postgres_read_only

        return postgres_read_only.open_read_only(settings.database_url, sealer, signer)
    path = settings.database
    return sqlite_read_only.open_read_only(path, sealer, signer, untouched=untouched)


def _readable(path: Path) -> bool:
    return os.access(path, os.R_OK)
