"""recommend --ndjson: many requests from files, a line each, and as many lines of answers.

The parent process reads, records and writes; the others decide (`workers`). What they hand over
lies in memory that they share (`area`), cut at the line ends (`reading`).
"""

import argparse
import gc
import os
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from cds_service.cli.arguments import PARTLY
from cds_service.cli.bulk.answering import Answering, entries
from cds_service.cli.bulk.area import Portion, Reply, Slot
from cds_service.cli.bulk.reading import Reader, size_of
from cds_service.cli.bulk.recording import Recording
from cds_service.cli.bulk.telling import Told
from cds_service.cli.bulk.workers import Workers, alone
from cds_service.cli.files import output
from cds_service.cli.parallel import cores
from cds_service.cli.sources import progress
from cds_service.content import tree
from cds_service.service.lines import Lines
from cds_service.settings import Settings


def add(recommend: argparse.ArgumentParser) -> None:
    """Declare the options of `recommend` for many requests."""
    many = recommend.add_argument_group(
        "many requests",
        "Each line of the files is one request; the answers come in the same order, a line for "
        "each: the answer Bundle, or an OperationOutcome that names the line. Exit code 0: all are "
        "answered; 3: some are an OperationOutcome; 1: stopped before the end.",
    )
    many.add_argument(
        "--ndjson", action="store_true", help="the files hold a request a line (.gz: compressed)"
    )
    many.add_argument("-o", "--output", type=Path, metavar="FILE", help="default: standard output")
    many.add_argument("--jobs", type=int, metavar="N", help="processes (default: every core)")
    many.add_argument(
        "--unrecorded",
        action="store_true",
        help="record nothing in the log: for study, never for care; each answer is marked so",
    )


def only_for_many(asked: argparse.Namespace) -> str:
    """What was asked for that only goes with --ndjson; "" when nothing."""
    given = {
        "a second FILE": len(asked.file) > 1,
        "--output": asked.output is not None,
        "--jobs": asked.jobs is not None,
        "--unrecorded": asked.unrecorded,
    }
    return next((name for name, is_given in given.items() if is_given), "")


def run(asked: argparse.Namespace) -> int:
    """Answer every line; the exit code. Raises CdsError and OSError when it cannot go on."""
    settings = Settings.read(edition=asked.edition, adaptation=asked.adaptation)
    size = size_of(asked.file)
    answering = Answering(_lines(asked, settings), several=len(asked.file) > 1)
    told = Told(asked.output)
    with ExitStack() as stack:
        replies = stack.enter_context(_replies(asked, answering, settings.max_body_bytes))
        recording = None
        if not asked.unrecorded:
            recording = stack.enter_context(Recording(settings))
        with (
            told.whatever_happens(recording),
            output(asked.output) as file,
            progress(size, "B" if size else "cases") as bar,
        ):
            for slot, portion, reply in replies:
                if recording is not None:  # no answer leaves before its record is durable
                    recording.add(entries(slot, reply))
                _write(file, slot, reply, told)
                bar.update(_far(portion, reply) if size else sum(reply.tally.values()))
    told.summary(recording)
    return PARTLY if told.refused else 0


def _lines(asked: argparse.Namespace, settings: Settings) -> Lines:
    decider = settings.decider()
    if asked.as_of is not None:
        decider.clock = lambda: asked.as_of
    return Lines(
        decider,
        recorded=not asked.unrecorded,
        longest=settings.max_body_bytes,
        strict=asked.strict,
        note=asked.referral_note,
        languages=(asked.language,) if asked.language else (),
    )


@contextmanager
def _replies(
    asked: argparse.Namespace, answering: Answering, longest: int
) -> Iterator[Iterator[tuple[Slot, Portion, Reply]]]:
    reader = Reader(asked.file)
    jobs = cores() if asked.jobs is None else asked.jobs
    if asked.strict:
        import cds_service.fhir.read_strict  # noqa: F401 - once, and not in every process
    # What lives as long as the processes need not be looked through at every collection.
    tree.forget()
    gc.collect()
    gc.freeze()
    try:
        if jobs <= 1 or not hasattr(os, "fork"):
            yield alone(answering, Slot(longest), reader.fill)
        else:
            with closing(Workers(jobs, answering, longest)) as workers:
                yield workers.replies(reader.fill)
    finally:
        gc.unfreeze()


def _write(file: BinaryIO, slot: Slot, reply: Reply, told: Told) -> None:
    """Write the answers, and count them: when that fails, those that were written whole."""
    raw: Any = getattr(file, "raw", file)  # nothing stays behind in a buffer
    answers = memoryview(reply.beyond) if reply.beyond else memoryview(slot.said)[: reply.size]
    sent = 0
    try:
        while sent < len(answers):
            sent += raw.write(answers[sent:]) or 0
    except BaseException:
        told.add_part(bytes(answers[:sent]).count(b"\n"))
        raise
    told.add(reply)


def _far(portion: Portion, reply: Reply) -> int:
    """Bytes of the lines that were answered."""
    return (portion.end if reply.rest is None else reply.rest.begin) - portion.begin
