"""What the service shows of itself before it says that it is ready.

Content, key and log each prove that they do what they are there for: a known infant gets the known
answer, the key makes a signature that verifies, the log takes an entry and its checkpoint is that
of its tree. Opening the log has compared it with the last checkpoint of the run before.
"""

from collections.abc import Iterator, Mapping, Sequence

from cds_service.audit.checkpoint import open_checkpoint
from cds_service.audit.note import Verifier, VerifierKey
from cds_service.audit.store import Log
from cds_service.content.known import Known, known
from cds_service.content.load import packaged_folder
from cds_service.errors import ContentError, LogProofError, LogUnavailable, NotReady
from cds_service.fhir.gist import Gist, gist
from cds_service.service import Service
from cds_service.service.deciding import Decider

CASE, KEY, LOG = "known-case", "signing-key", "log"
"""What is looked at."""


class Starting:
    """Looks at one service. Content and key that were right once are not asked again.

    Neither changes while the process runs; the log may stop taking entries at any moment.
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._case_holds = self._key_holds = False

    async def faults(self) -> Mapping[str, Sequence[str]]:
        """What is wrong with each part, naming nobody; nothing for a part that is right."""
        found: dict[str, Sequence[str]] = {CASE: (), KEY: (), LOG: ()}
        if not self._case_holds:
            found[CASE] = known_case(self._service)
            self._case_holds = not found[CASE]
        try:
            await self._service.store.ready()
            if not self._key_holds:
                store = self._service.store
                found[LOG] = await signed_as_stored(store, store.keys)
                self._key_holds = not found[LOG]
        except LogUnavailable as error:
            found[LOG] = (str(error),)
        except LogProofError as error:
            found[KEY] = (f"what it signs does not verify: {error}. {_OTHER_KEY}",)
        return found

    async def check(self) -> None:
        """Raise NotReady with everything that is wrong."""
        parts = (await self.faults()).items()
        if found := tuple(f"{part}: {each}" for part, faults in parts for each in faults):
            raise NotReady(found)


def known_case(decider: Decider) -> Sequence[str]:
    """How what the known infant gets differs from what is known; nothing when it is right."""
    protocol = decider.protocol
    try:
        must = known(packaged_folder(protocol.id), protocol)
        return tuple(_differences(decider, must))
    except ContentError as error:
        return error.findings
    except Exception as error:  # noqa: BLE001 - whatever it was, it is no right answer
        return (f"the known infant gets no answer ({type(error).__name__}). {_OTHER_CONTENT}",)


def _differences(decider: Decider, must: Known) -> Iterator[str]:
    """How the answer differs from the known one."""
    came = gist(decider.decide(must.request, now=decider.clock())[0])
    atc = {code: each.atc for code, each in decider.protocol.medicine_by_code.items()}
    due = sorted(f"{atc[each.medicine]} {each.dose}" for each in must.doses)
    for what, right, found in (
        ("classes", sorted(must.classes), sorted(came.classes)),
        ("doses", due, _ordered(came)),
    ):
        if right != found:
            told = f"{', '.join(right)} must come, {', '.join(found) or 'none'} came"
            yield f"{must.file}: {what}: {told}. {_OTHER_CONTENT}"


async def signed_as_stored(log: Log, keys: Sequence[str]) -> Sequence[str]:
    """Sign the log as it is now and verify that by `keys` as an auditor would.

    What is wrong, nothing when it is right; raises LogProofError and LogUnavailable.
    """
    verifier = Verifier([VerifierKey.parse(each) for each in keys])
    signed = open_checkpoint(await log.checkpoint(), verifier)
    return () if await log.root(signed.size) == signed.root else (_OTHER_TREE,)


def _ordered(came: Gist) -> list[str]:
    return sorted(f"{each.substance} {each.dose}" for each in came.orders)


_OTHER_CONTENT = "Do not use this installation: install it anew, or mend the content"
_OTHER_KEY = "Put the key that CDS_LOG_KEY_FILE names back as it was"
_OTHER_TREE = "what was signed is not what is stored: verify the log (cds-service verify-log)"
