"""The log in PostgreSQL that is only looked at: by a role that has SELECT, also on a standby."""

from functools import partial

import psycopg

from cds_service.audit import postgres_layout
from cds_service.audit.note import Signer
from cds_service.audit.postgres_read import Readers
from cds_service.audit.postgres_session import connect, reason
from cds_service.audit.postgres_witness import in_table
from cds_service.audit.read_only import ReadOnly
from cds_service.audit.seal import Sealer
from cds_service.errors import LogUnavailable

_OLDEST = 2
"""The first layout whose tables hold the log as they do now."""


def open_read_only(url: str, sealer: Sealer, signer: Signer | None = None) -> ReadOnly:
    """The log in the database at `url`, see `ReadOnly`; raises LogUnavailable for none."""
    try:
        with connect(url, writes=False) as connection:
            version = postgres_layout.layout(connection)
    except psycopg.Error as error:
        raise LogUnavailable(f"the audit log cannot be read: {reason(error)}") from error
    if not version:
        raise LogUnavailable("there is no audit log in this database, or this role may not see it")
    if not _OLDEST <= version <= postgres_layout.VERSION:
        raise LogUnavailable(f"the audit log has layout {version}: use the program that made it")
    readers = Readers(url, writes=False)
    return ReadOnly(partial(readers.reading, sealer), sealer, in_table(url), signer, readers.close)
