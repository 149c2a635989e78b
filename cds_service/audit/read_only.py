"""A log that is only looked at: nothing is written, and no key that signs is needed.

For auditors: the file may be read-only, the role in PostgreSQL may have no right but SELECT.
"""

import asyncio
from collections.abc import Callable
from contextlib import AbstractContextManager

from cds_service.audit.growing import Growth, signed
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.reader import Reader
from cds_service.audit.reading import Reading
from cds_service.audit.seal import Sealer
from cds_service.audit.witness import Place, Witness


class ReadOnly(Reading):
    """`audit.store.Log` over whatever `reading` opens.

    `kept` is where the service keeps its last checkpoint. With a `signer`, that of whoever keeps
    the log, checkpoints are those of now; what the service signed must be their beginning.
    """

    def __init__(
        self,
        reading: Callable[[], AbstractContextManager[Reader]],
        sealer: Sealer,
        kept: Place,
        signer: Signer | None = None,
        closed: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__(sealer, Witness(kept))
        self._open = reading
        self._signer = signer
        self._closed = closed
        self._growth: Growth | None = None

    def _reading(self) -> AbstractContextManager[Reader]:
        return self._open()

    async def checkpoint(self) -> str:
        """See `Log.checkpoint`."""
        return await asyncio.to_thread(self._checkpoint)

    def _checkpoint(self) -> str:
        if self._signer is None:
            return self._witness.note()
        # Read before the log is: the service may add to it, and sign for it, at any moment.
        kept = self._witness.kept(Verifier(self._signer.verifier_keys))
        with self._reading() as log:
            if self._growth is None:
                self._growth = self._grown(log, kept)
            self._growth = self._growth.caught_up(log, log.size())
        return signed(self._signer, self._growth.frontier)

    async def opens_payloads(self) -> bool:
        """Whether the key of the payloads is given, or none of them is encrypted."""
        wrapped = await self._ask(lambda log: log.wrapped_keys())
        return not wrapped or any(map(self._sealer.knows, wrapped))

    async def need_payloads(self) -> None:
        """Raise LogUnavailable when the payloads cannot be read for want of their key."""
        self._check_payload_keys(await self._ask(lambda log: log.wrapped_keys()))

    async def close(self) -> None:
        """See `Log.close`."""
        self._closed()
