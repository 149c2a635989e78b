"""What every store does alike beside reading: it writes in a thread of its own, signs, answers.

A store adds how it reads at one moment, and how it makes a batch durable.
"""

import time
from abc import abstractmethod
from collections.abc import Sequence
from typing import cast

from cds_service.audit.growing import Growth, signed
from cds_service.audit.note import Signer, Verifier
from cds_service.audit.reader import LAST, Reader
from cds_service.audit.reading import Reading
from cds_service.audit.record import ERASURE, Entry
from cds_service.audit.rows import Item, item_of
from cds_service.audit.screening import Screened
from cds_service.audit.seal import Sealer
from cds_service.audit.store import Receipt
from cds_service.audit.witness import Place, Witness
from cds_service.audit.writer import GroupWriter, Outcome

TRIAL_HOLDS = 1.0
"""Seconds for which a trial commit that succeeded speaks for the next ones."""


class BaseStore(Reading):
    """Whatever of `audit.store.Store` does not depend on the database.

    `signer` signs the checkpoints, `sealer` encrypts the payloads, `kept` is where the last
    checkpoint is kept. Begin with `_begin`, when the log is there.
    """

    def __init__(self, signer: Signer, sealer: Sealer, kept: Place) -> None:
        super().__init__(sealer, Witness(kept))
        self._signer = signer
        self.commits = 0
        """Durable commits made so far by this process (each may hold many entries)."""
        self._tried = float("-inf")
        """When a trial commit last succeeded, by the monotonic clock."""
        self._growth = Growth()
        """The tree as this process last saw it; the next entry goes behind it."""

    def _begin(self) -> None:
        """Read how far the log has grown and start the writing thread.

        Raises LogUnavailable; when the tree cannot be read it is LogDamaged and says where.
        """
        # Read before the log is: another process may add to it, and sign for it, at any moment.
        kept = self._witness.kept(Verifier(self._signer.verifier_keys))
        with self._reading() as log:
            self._check_payload_keys(log.wrapped_keys())
            self._growth = self._grown(log, kept)
        if self._growth.size:
            note = signed(self._signer, self._growth.frontier)
            self._witness.renew(note, self._signer.verifier_keys)
        self._writer = GroupWriter(self._commit, self._ended, self._witness.keep)

    @abstractmethod
    def _record(self, items: Sequence[Item]) -> Screened:
        """Make the items durable in one commit and keep the new growth (writing thread only).

        Without items it is a trial: something is written durably beside the log.
        """

    @abstractmethod
    def _drop(self) -> None:
        """Let go of the connection that writes (writing thread only)."""

    async def append(self, entry: Entry) -> Receipt:
        """See `Store.append`."""
        # Only an erasure may come to nothing.
        return cast("Receipt", await self._writer.append(item_of(entry, self._sealer)))

    async def erase(self, index: int, erasure: Entry, *, alone: bool = False) -> Receipt | None:
        """See `Store.erase`."""
        if erasure.kind != ERASURE or erasure.about != index:
            raise ValueError("an erasure says what it is about")
        if not 0 <= index <= LAST:
            return None
        item = item_of(erasure, self._sealer, erases=index, alone=alone)
        return await self._writer.append(item)

    async def ready(self) -> None:
        """See `Store.ready`: commits durably in the writing thread, beside the entries.

        Only a write shows that the disk is full or the log read-only. However often it is
        asked, it writes once in `TRIAL_HOLDS` seconds; a failure is never taken as known.
        """
        if time.monotonic() - self._tried >= TRIAL_HOLDS:
            await self._writer.append(None)

    async def close(self) -> None:
        """See `Store.close`."""
        self._tried = float("-inf")
        await self._writer.close()

    @property
    def keys(self) -> tuple[str, ...]:
        """See `Store.keys`."""
        return tuple(map(str, self._signer.verifier_keys))

    async def checkpoint(self) -> str:
        """See `Store.checkpoint`."""

        def sign(log: Reader) -> str:
            return signed(self._signer, self._growth.caught_up(log, log.size()).frontier)

        return await self._ask(sign)

    def _commit(self, items: Sequence[Item]) -> Sequence[Outcome]:
        """Record the items (writing thread only), then sign; without items it is a trial."""
        try:
            done = self._record(items)
        except BaseException:
            # Its state is unknown (the disk may be full, the log gone): begin again next time.
            self._drop()
            self._tried = float("-inf")
            raise
        self.commits += bool(done.items)
        if not items:
            self._tried = time.monotonic()
            return []
        note = signed(self._signer, self._growth.frontier)
        self._witness.signed(note)
        return done.answered(note)

    def _ended(self) -> None:
        """Nothing is written any more (writing thread only)."""
        self._witness.keep(now=True)
        self._drop()
