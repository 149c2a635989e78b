"""`python -m tests.audit.freeze FILE`: a small log of the layout of now, to be kept for ever.

Run once for each layout, before it is released; what it wrote is never made again. Beside the log
(gzip) it writes the last checkpoint, as somebody outside would have kept it.
"""

import asyncio
import gzip
import sys
import tempfile
from datetime import datetime
from pathlib import Path

from cds_service import __version__
from cds_service.audit.record import Origin
from cds_service.audit.seal import Encrypted
from cds_service.content.library import Library
from cds_service.service import Service
from tests.logs import open_log

from .conftest import erasure

STORIES = ("11-assessment-incomplete", "06-infection-unlikely", "11-assessment-incomplete")
ORIGIN = Origin("marrow-vale", "tolm-ford")
SEALER = Encrypted([bytes(range(32))])
"""The last entries are encrypted under this key, the first are not."""
RECORDED = datetime.fromisoformat("2026-11-28T09:00:00+02:00")


async def frozen(path: Path) -> str:
    """Write the log; its last checkpoint."""
    for sealer in (None, SEALER):
        store = open_log(path, sealer=sealer)
        protocol = Library().named("sick-young-infant|2024.1")
        service = Service(
            protocol,
            store,
            base="http://cds-service.example/fhir",
            code_version=__version__,
            clock=lambda: RECORDED,
        )
        for number, story in enumerate(STORIES):
            body = Path("examples", story, "request.json").read_bytes()
            entry, _ = service.entry(body, origin=ORIGIN, key=f"{bool(sealer)}-{number}")
            await service.record(entry)
        size = await store.size()
        await store.erase(size - 1, erasure(size - 1))
        checkpoint = await store.checkpoint()
        await store.close()
    return checkpoint


if __name__ == "__main__":
    to = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.db"
        note = asyncio.run(frozen(log))
        to.write_bytes(gzip.compress(log.read_bytes(), mtime=0))
    to.with_suffix("").with_suffix(".checkpoint").write_text(note, encoding="utf-8")
