"""A portion of lines to their answers, in whatever process."""

from collections import Counter
from dataclasses import dataclass, replace

from cds_service.audit.record import Entry
from cds_service.cli.bulk.area import Kept, Portion, Reply, Slot
from cds_service.service.lines import Lines, Said


@dataclass(frozen=True, slots=True)
class Answering:
    """Answers the lines of a slot; `several`: a refusal says of which file it is."""

    lines: Lines
    several: bool = False

    def __call__(self, slot: Slot, portion: Portion) -> Reply:
        """Answer as many lines as there is room for."""
        tally, kept, size = Counter[str](), list[Kept](), 0
        at, left = portion.begin, portion
        while left.lines:
            found = slot.asked.find(b"\n", at, portion.end)
            stop = found if found >= 0 else portion.end
            said = self._said(slot.asked[at:stop], left)
            after = left._replace(line=left.line + 1, lines=left.lines - 1, begin=stop + 1)
            if size + len(said.body) >= slot.room:
                if size:
                    return Reply(left, size, tally, tuple(kept))
                return self._beyond(said, after, slice(at, stop))
            slot.said.seek(size)
            slot.said.write(said.body)
            slot.said.write(b"\n")
            if said.entry is not None:
                where = slice(size, size + len(said.body))
                kept.append(Kept(_emptied(said.entry), slice(at, stop), where))
            tally[said.status] += 1
            size += len(said.body) + 1
            left, at = after, stop + 1
        return Reply(None, size, tally, tuple(kept))

    def _said(self, line: bytes, portion: Portion) -> Said:
        of_file = f" of file {portion.file}" if self.several else ""
        place = f"Line {portion.line}{of_file}"
        if portion.too_long or len(line) > self.lines.longest:
            return self.lines.too_long(place)
        return self.lines.said(line, place)

    def _beyond(self, said: Said, after: Portion, request: slice) -> Reply:
        """The one answer that has no room in the slot goes another way."""
        rest = after if after.lines else None
        kept = () if said.entry is None else (Kept(_emptied(said.entry), request, slice(0, 0)),)
        return Reply(rest, 0, {said.status: 1}, kept, said.body + b"\n")


def entries(slot: Slot, reply: Reply) -> list[Entry]:
    """What is to be recorded, whole again."""
    return [
        replace(
            kept.entry,
            request=slot.asked[kept.request],
            response=reply.beyond[:-1] or slot.said[kept.response],
        )
        for kept in reply.kept
    ]


def _emptied(entry: Entry) -> Entry:
    """Without the payloads, which lie in the slot already."""
    return replace(entry, request=b"", response=b"")
