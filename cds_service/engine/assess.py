"""Classify: every table, first row that holds, with what is still open above it.

Design, decision 3: a more severe row left undecided is reported, never skipped; a danger sign
that is YES acts at once, whatever else is missing.
"""

from collections.abc import Iterable
from typing import NamedTuple

from cds_service.case import Answer, Refusal
from cds_service.content.model import (
    EARLIER,
    NOW,
    FindingTest,
    MeasureTest,
    Message,
    Row,
    Table,
    table_tests,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Assessment, Caution, Class, Missing, RowResult, Test
from cds_service.engine.conditions import Compiled, compiled, evaluate
from cds_service.engine.earlier import about_earlier
from cds_service.engine.facts import Facts
from cds_service.engine.trace import Teller, reasons, ruled_out, teller
from cds_service.engine.words import refused

# Facts about the infant itself; each has a way of its own to be asked for.
_WHO = ("age", "sex")

_YES, _NO, _UNKNOWN = Answer.YES, Answer.NO, Answer.NOT_ASSESSED

# Refusals of things that nobody can name: what they were might change everything.
_GRAVE = frozenset(
    {
        "allergy-not-understood",
        "code-ambiguous",
        "finding-unknown",
        "form-unknown",
        "medicine-not-understood",
        "order-not-to-give",
        "patient-replaced",
        "question-unknown",
        "subject-missing",
    }
)


def assess(facts: Facts) -> Assessment:
    """Classify the infant by every table of the protocol, in file order."""
    about_earlier(facts)
    rows: list[RowResult] = []
    classes: list[Class] = []
    asked: set[str] = set()
    for table in facts.protocol.tables:
        if table.unless_severe and any(each.severe for each in classes):
            asked.add(table.code)  # not asked now, but what was said is not left over either
            continue
        results = _results(table, facts)
        if not results:
            continue
        asked.add(table.code)
        _keep(table, results, facts)
        rows += results
        held = _class(results)
        if held is not None:
            classes.append(held)
    return Assessment(
        classes=tuple(classes),
        rows=tuple(rows),
        missing=_missing(rows, facts),
        not_recorded=_not_recorded(facts, asked),
        cautions=_cautions(facts, asked),
    )


class _Asked(NamedTuple):
    """One row with its condition compiled, and what it is when it does not hold."""

    row: Row
    holds: Compiled
    tell: Teller
    no: RowResult


def _results(table: Table, facts: Facts) -> list[RowResult]:
    """The rows down to the first that holds; what comes below it does not matter.

    None when the table is not for this infant; its first row alone while that is open.
    """
    if table.when is not None:
        if not facts.case.earlier and table.code in facts.protocol.follow_up_tables:
            return []
        gate = evaluate(table.when, facts, row=True)
        if gate is _NO:
            return []
        if gate is _UNKNOWN:
            open_tests = reasons(table.when, facts, gate, row=True)
            return [RowResult(table.code, table.rows[0], gate, open_tests)]
    results: list[RowResult] = []
    none_open = True
    for row, holds, tell, no in _rows(table, facts.protocol):
        answer = holds(facts, True)
        if answer is _NO:
            results.append(no)
            continue
        deciding: list[Test] = []
        tell(facts, answer, True, deciding)
        results.append(RowResult(table.code, row, answer, tuple(deciding)))
        if answer is _YES:
            return results
        none_open = False
    last = table.rows[-1]
    # The last row says only what the rows above leave over: alone it is never undecided.
    if last.when is None and none_open:
        results.append(RowResult(table.code, last, _YES, ruled_out(table, facts)))
    return results


def _rows(table: Table, protocol: Protocol) -> list[_Asked]:
    """The rows of a table that ask something; made once for each protocol."""
    kept: list[_Asked] | None = protocol.made.get(("rows", table.code))
    if kept is None:
        asking = [(row, row.when) for row in table.rows if row.when is not None]
        kept = protocol.made["rows", table.code] = [
            _Asked(
                row,
                compiled(when, protocol),
                teller(when, protocol),
                RowResult(table.code, row, _NO, ()),
            )
            for row, when in asking
        ]
    return kept


def _keep(table: Table, results: list[RowResult], facts: Facts) -> None:
    """Keep how the rows came out, for what asks below. What did not come up is NO, or open."""
    classes, is_open = facts.classes, False
    for result in results:
        classes[result.row.now] = result.answer
        is_open = is_open or result.answer is Answer.NOT_ASSESSED
    if is_open and results[-1].answer is not Answer.YES:
        # A table whose gate is open has one result; a last row that says "none of these" has none.
        for row in table.rows[len(results) :]:
            classes[row.now] = Answer.NOT_ASSESSED


def _class(results: list[RowResult]) -> Class | None:
    """The class that a table gives, if a row of it holds."""
    held = results[-1]
    if held.answer is not _YES:
        return None
    open_above = tuple([each.row.code for each in results if each.answer is _UNKNOWN])
    row = held.row
    return Class(held.table, row.code, row.severe, held.tests, row.cite, open_above, row.no_illness)


def _missing(rows: list[RowResult], facts: Facts) -> tuple[Missing, ...]:
    found: dict[tuple[str, str], Missing] = {}
    for result in rows:
        if result.answer is Answer.NOT_ASSESSED:
            for test in result.tests:
                if not test.fact.startswith(NOW) and not _asked_later(test.fact, facts):
                    item = _ask(test, result, facts)
                    key = (item.kind, item.code)
                    found[key] = found[key] if key in found and not item.required else item
    return tuple(found.values())


def _asked_later(code: str, facts: Facts) -> bool:
    """Whether the same table asks something else first, and this only if that is present."""
    if code not in facts.protocol.beside_in_table or code in facts.unsettled:
        return False
    return not facts.any_yes(facts.protocol.sign_by_code[code].required_when)


def _ask(test: Test, result: RowResult, facts: Facts) -> Missing:
    why: tuple[tuple[str, str | Message], ...] = (("row", Message(f"class.{result.row.code}")),)
    required = not facts.protocol.table_by_code[result.table].can_wait
    if test.fact in _WHO:
        return Missing(test.fact, test.fact, Message(f"missing.{test.fact}", why), required)
    if test.fact.startswith(EARLIER):
        return Missing("class", test.fact, Message("missing.earlier", why), required)
    if test.fact not in facts.protocol.measure_by_code:
        return Missing("finding", test.fact, Message("missing.finding", why), required)
    return Missing("measure", test.fact, Message(_how(test.fact, facts), why), required)


def _how(code: str, facts: Facts) -> str:
    """The text that says how a measure is taken: a count again, a temperature in the armpit."""
    measure = facts.protocol.measure_by_code[code]
    if measure.sites_that_exclude:
        return "missing.in-the-armpit"
    counted = measure.repeat_within is not None and facts.series.get(code)
    return "missing.repeat" if counted else "missing.measure"


def _not_recorded(facts: Facts, asked: set[str]) -> tuple[str, ...]:
    """Signs and measures of the tables that count only when present, and were not recorded."""
    signs, measures = _optional(facts.protocol, frozenset(asked))
    answers, values = facts.answers, facts.values
    unknown = [
        code
        for code, beside in signs
        if code not in answers and (not beside or _may_matter(beside, facts))
    ]
    return (*unknown, *[code for code in measures if code not in values])


def _may_matter(beside: tuple[str, ...], facts: Facts) -> bool:
    """Whether a sign that is asked only beside others is not settled by one of them."""
    before = [facts.answer(code) for code in beside]
    return Answer.YES not in before and Answer.NOT_ASSESSED in before


def _optional(
    protocol: Protocol, asked: frozenset[str]
) -> tuple[list[tuple[str, tuple[str, ...]]], list[str]]:
    """Tested signs and measures of these tables that are not always required, in table order.

    Each sign with those beside which it is asked.
    """
    found: tuple[list[tuple[str, tuple[str, ...]]], list[str]] | None = protocol.made.get(
        ("optional", asked)
    )
    if found is None:
        tested = [
            test for table in protocol.tables if table.code in asked for test in table_tests(table)
        ]
        codes = dict.fromkeys(test.code for test in tested if isinstance(test, FindingTest))
        kinds = dict.fromkeys(test.measure for test in tested if isinstance(test, MeasureTest))
        signs = [protocol.sign_by_code[code] for code in codes if code in protocol.sign_by_code]
        measured = [
            protocol.measure_by_code[kind] for kind in kinds if kind in protocol.measure_by_code
        ]
        found = (
            [(sign.code, sign.required_when) for sign in signs if not sign.required],
            [each.code for each in measured if not each.required and not each.lasting],
        )
        protocol.made["optional", asked] = found
    return found


def _cautions(facts: Facts, asked: set[str]) -> tuple[Caution, ...]:
    """What was noticed about the record, in an order that does not depend on the caller's."""
    refusals = [_refused(refusal, facts.protocol) for refusal in facts.case.refusals]
    found = [*refusals, *facts.cautions, *_not_judged(facts, asked)]
    if len(found) > 1:
        found.sort(key=lambda caution: (caution.code, repr(caution.message), caution.origins))
    return tuple(found)


_SLIGHT = frozenset({"observations-unknown"})
"""Refusals of what a record has a lot of and this protocol does not ask for."""


def _refused(refusal: Refusal, protocol: Protocol) -> Caution:
    message, origins = refused(refusal), (refusal.origin,)
    if refusal.code:
        what = Message(_name(refusal.code, protocol))
        message = Message("caution.not-used-fact", (("what", what), ("why", message)))
        return Caution("not-used", "high", message, origins)
    slight = "low" if refusal.reason in _SLIGHT else "moderate"
    severity = "high" if refusal.reason in _GRAVE else slight
    return Caution("not-used", severity, message, origins)


def _name(code: str, protocol: Protocol) -> str:
    if code in protocol.measure_by_code:
        return f"measure.{code}"
    return f"medicine.{code}" if code in protocol.medicine_by_code else f"sign.{code}"


def _not_judged(facts: Facts, asked: set[str]) -> Iterable[Caution]:
    """Signs that are present and were judged by no table: their tables are for other infants."""
    perhaps = facts.protocol.perhaps_not_judged
    present = [c for c, said in facts.answers.items() if said is Answer.YES and c in perhaps]
    for code in sorted(present):
        if asked.isdisjoint(perhaps[code]):
            message = Message("caution.not-judged", (("what", Message(f"sign.{code}")),))
            yield Caution("not-judged", "high", message, facts.origins[code])
