"""One recommendation, from the bytes that came to the bytes that may leave.

No recommendation leaves before its record is durable in the log; a request that is refused gets
none and is not recorded. The only clock of the program is here.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from cds_service.audit.reader import LAST
from cds_service.audit.record import BESIDE, FEEDBACK, RECOMMENDATION, Entry, Origin
from cds_service.audit.retry import Kept, Retries
from cds_service.audit.store import Logged, Query, Receipt, Store
from cds_service.content.library import Library
from cds_service.content.treatment import Protocol
from cds_service.errors import FedBack, LogUnavailable
from cds_service.fhir.read_feedback import Feedback, read_feedback
from cds_service.fhir.write import spoken_languages
from cds_service.label.printing import Printed, Wanted
from cds_service.service.deciding import Decider, decided_again, is_note
from cds_service.service.erasing import erasure
from cds_service.service.hooks import asked_of, cards_again, found_card, hook_entry, is_hook
from cds_service.service.hooks import feedback_entry as card_feedback_entry
from cds_service.service.rendering import rendered, rendering_entry
from cds_service.service.reviews import feedback_entry, meant


def local_now() -> datetime:
    """The time, in the zone of this machine: an age in days is counted on the clinic's calendar."""
    return datetime.now(UTC).astimezone()


@dataclass(frozen=True, slots=True)
class Answer:
    """A recommendation that is in the log and may leave."""

    body: bytes
    """The answer Bundle, exactly as it was recorded."""
    index: int
    """Position of its entry in the log."""
    checkpoint: str
    """The signed checkpoint of the log that covers it (C2SP tlog-checkpoint)."""
    decision_id: str
    languages: tuple[str, ...]
    """BCP-47 tags of the languages that its texts really are in."""
    outcome: str = ""
    """What the log says of it: the status of the plan, or what became of it."""
    again: bool = False
    """Whether it is the stored answer to an earlier request with the same key."""


class Service(Decider):
    """Decides with one protocol and records in one log.

    `others` gives the editions that are published beside the one in use.
    """

    def __init__(
        self,
        protocol: Protocol,
        store: Store,
        *,
        base: str,
        code_version: str,
        clock: Callable[[], datetime] = local_now,
        retention_days: int = 0,
        others: Callable[[], Iterable[Protocol]] = tuple,
    ) -> None:
        super().__init__(protocol, base=base, code_version=code_version, clock=clock)
        self.others = others
        self.store = store
        self.retention_days = retention_days
        self._retries = Retries(store)

    async def recommend(
        self,
        body: bytes,
        *,
        strict: bool = False,
        languages: Sequence[str] = (),
        origin: Origin = Origin(),  # noqa: B008 - frozen
        note: bool = False,
        key: str = "",
    ) -> Answer:
        """Decide and record; the answer is returned only once its entry is durable.

        `key` makes a retry safe: the same request with it is answered from the log. Raises
        RequestError when the request cannot be answered (also: the key belongs to another
        request), PayloadErased when what the key belongs to was erased, LogUnavailable when the
        answer could not be recorded.
        """

        # The decision is let go here: thousands of objects, of as many requests as wait for
        # the log, would only crowd out what the next request needs.
        def make() -> Entry:
            return self.entry(
                body, strict=strict, languages=languages, origin=origin, note=note, key=key
            )[0]

        def same(entry: Entry) -> bool:
            asked = entry.kind, entry.request, entry.strict, is_note(entry), is_hook(entry)
            return asked == (RECOMMENDATION, body, strict, note, False)

        return _answer(await self._retries.once(key, origin, make, same))

    async def feedback(
        self,
        body: bytes,
        about: Callable[[Feedback], Awaitable[Logged]],
        *,
        origin: Origin = Origin(),  # noqa: B008 - frozen
        key: str = "",
    ) -> Answer:
        """Record what became of a recommendation, as an entry of its own.

        `about` finds the entry of the recommendation that is meant. Raises RequestError,
        PayloadErased, LogUnavailable, and what `about` raises.
        """
        said = read_feedback(body)
        logged = await about(said)
        its = meant(said, logged)

        def make() -> Entry:
            now = self.clock()
            made = feedback_entry(body, said, its, logged.index, now)
            return replace(made, code_version=self.code_version, origin=origin, key=key)

        def same(entry: Entry) -> bool:
            asked = entry.kind, entry.request, entry.decision_id
            return asked == (FEEDBACK, body, its.decision_id)

        return _answer(await self._retries.once(key, origin, make, same))

    async def hook(
        self,
        body: bytes,
        service_id: str,
        *,
        languages: Sequence[str] = (),
        origin: Origin = Origin(),  # noqa: B008 - frozen
    ) -> Answer:
        """Answer a call of a CDS Hooks service with cards, recorded like every recommendation.

        A retry, known by its hookInstance, is answered from the log. Raises RequestError (also
        DataNotSent), PayloadErased and LogUnavailable.
        """
        asked = asked_of(body, service_id)
        key = f"{service_id}/{asked.instance}"

        def make() -> Entry:
            now = self.clock()
            entry = hook_entry(asked, self.protocol, base=self.base, languages=languages, now=now)
            return replace(entry, code_version=self.code_version, origin=origin, key=key)

        def same(entry: Entry) -> bool:
            return is_hook(entry) and entry.request == asked.kept

        return _answer(await self._retries.once(key, origin, make, same))

    async def hook_feedback(
        self,
        body: bytes,
        service_id: str,
        *,
        origin: Origin = Origin(),  # noqa: B008 - frozen
    ) -> list[Answer]:
        """Record what became of cards: one entry for each, in their order.

        Nothing is recorded unless every card is found. Raises RequestError, CardUnknown,
        LogUnavailable.
        """
        found = await found_card(self.store, body, service_id, origin.tenant)
        entries = [card_feedback_entry(said, logged, self.clock()) for said, logged in found]
        known = [replace(e, code_version=self.code_version, origin=origin) for e in entries]
        return list(await asyncio.gather(*map(self.record, known)))

    async def record(self, entry: Entry) -> Answer:
        """Wait until the entry is durable; only then is there an answer. Raises LogUnavailable."""
        return _answer(Kept(entry, await self.store.append(entry)))

    async def label(
        self,
        index: int,
        its: Entry,
        wanted: Wanted,
        library: Library,
        *,
        blank: bool = False,
        origin: Origin = Origin(),  # noqa: B008 - frozen
    ) -> tuple[Answer, Printed]:
        """Print the label of a recommendation and record that; `its` is the entry at `index`.

        `blank` leaves a line for the infant's name. Raises UnusableRequest, LogUnavailable.
        """
        made, used = await asyncio.to_thread(
            rendered, its, wanted, library, base=self.base, blank=blank
        )
        said = rendering_entry(its, index, used, made.body, self.clock(), blank=blank)
        entry = replace(said, code_version=self.code_version, origin=origin)
        return await self.record(entry), made

    async def erase(
        self,
        index: int,
        reason: str,
        *,
        origin: Origin = Origin(),  # noqa: B008 - frozen
    ) -> Receipt | None:
        """Destroy request and answer of one entry, and record that, both or neither.

        What was fed back about it, or printed of it, names the same infant and goes first, each
        with an erasure of its own. What an entry leaves in the tree stays, so every proof keeps
        working. `reason` is kept for ever: it names no infant. None when there is nothing to
        erase. Raises LogUnavailable; called again it goes on.
        """
        receipt = None
        for _ in range(_ROUNDS):
            for each in await self._beside(index):
                receipt = await self._erase(each, reason, origin) or receipt
            try:
                return await self._erase(index, reason, origin) or receipt
            except FedBack:  # it came in this very moment, and goes too
                continue
        raise LogUnavailable("feedback or labels keep coming about an entry that is to be erased")

    async def _beside(self, index: int) -> list[int]:
        """The feedbacks about an entry, and its labels, that are not erased yet."""
        found: list[int] = []
        asked = Query(kinds=BESIDE, abouts=(index,))
        while 0 <= index <= LAST and (page := await self.store.find(asked)):
            found += [each.index for each in page if each.entry is not None]
            asked = replace(asked, below=page[-1].index)
        return found

    async def _erase(
        self, index: int, reason: str, origin: Origin, *, alone: bool = False
    ) -> Receipt | None:
        said = erasure(index, reason, self.clock(), self.code_version, origin)
        return await self.store.erase(index, said, alone=alone)

    async def erase_old(self, days: int) -> int:
        """Erase what was recorded more than that many days ago; how many entries that were.

        Stopped in the midst of it, the next time goes on. Raises LogUnavailable.
        """
        before, erased = self.clock() - timedelta(days=days), 0
        while kept := await self.store.kept(before, _TOGETHER):
            reason = f"kept for {days} days"
            # Feedback is younger: it goes when it is as old itself.
            done = await asyncio.gather(
                *(self._erase(index, reason, Origin(), alone=True) for index in kept)
            )
            erased += sum(receipt is not None for receipt in done)
        return erased


def _answer(kept: Kept) -> Answer:
    entry, receipt = kept.entry, kept.receipt
    spoken = spoken_languages(entry.response, entry.language)
    return Answer(
        entry.response,
        receipt.index,
        receipt.checkpoint,
        entry.decision_id,
        spoken,
        entry.outcome,
        kept.again,
    )


_ROUNDS = 100
"""How often feedback may come while the entry that it is about is being erased."""
_TOGETHER = 100
"""Erasures that wait for one commit."""


def replay(entry: Entry, library: Library, *, base: str) -> bytes:
    """What the recorded request is answered with today, by the content that decided it then.

    With the same code these are the bytes of the entry, whatever content the service uses now.
    Raises ContentError when that content is not there any more.
    """
    return answered(entry, library.recorded(entry.protocol, entry.content_digest), base=base)


def answered(entry: Entry, protocol: Protocol, *, base: str) -> bytes:
    """What the recorded request is answered with by this content; raises RequestError."""
    if is_hook(entry):
        return cards_again(entry, protocol, base=base)
    return decided_again(entry, protocol, base=base)[1]
