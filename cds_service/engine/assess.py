"""Classify: every table, first row that holds, with what is still open above it.

Design, decision 3: a more severe row left undecided is reported, never skipped; a danger sign
that is YES acts at once, whatever else is missing.
"""

from collections.abc import Iterable

from cds_service.case import Answer, Refusal
from cds_service.content.model import (
    EARLIER,
    NOW,
    FindingTest,
    MeasureTest,
    Message,
    Row,
    Sign,
    Table,
    table_tests,
)
from cds_service.content.treatment import Protocol
from cds_service.engine.conditions import evaluate
from cds_service.engine.earlier import about_earlier
from cds_service.engine.facts import Facts
from cds_service.engine.model import Assessment, Caution, Class, Missing, RowResult, Test
from cds_service.engine.trace import reasons
from cds_service.engine.words import refused

# Facts about the infant itself; each has a way of its own to be asked for.
_WHO = ("age", "sex")

# Refusals of things that nobody can name: what they were might change everything.
_GRAVE = frozenset(
    {
        "allergy-not-understood",
        "code-ambiguous",
        "finding-unknown",
        "medicine-not-understood",
        "order-not-to-give",
        "patient-replaced",
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
        if table.unless_severe and any(held.severe for held in classes):
            asked.add(table.code)  # not asked now, but what was said is not left over either
            continue
        results = _results(table, facts)
        if results:
            asked.add(table.code)
            _keep(table, results, facts)
        rows += results
        classes += _class(results)
    return Assessment(
        classes=tuple(classes),
        rows=tuple(rows),
        missing=_missing(rows, facts),
        not_recorded=_not_recorded(facts, asked),
        cautions=_cautions(facts, asked),
    )


def _results(table: Table, facts: Facts) -> list[RowResult]:
    """The rows down to the first that holds; what comes below it does not matter.

    None when the table is not for this infant; its first row alone while that is open.
    """
    if table.when is not None:
        if not facts.case.earlier and table.code in facts.protocol.follow_up_tables:
            return []
        gate = evaluate(table.when, facts, row=True)
        if gate is Answer.NO:
            return []
        if gate is Answer.NOT_ASSESSED:
            open_tests = reasons(table.when, facts, gate, row=True)
            return [RowResult(table.code, table.rows[0], gate, open_tests)]
    results: list[RowResult] = []
    for row in table.rows:
        result = _result(table, row, results, facts)
        if result is not None:
            results.append(result)
        if result is not None and result.answer is Answer.YES:
            break
    return results


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


def _result(table: Table, row: Row, above: list[RowResult], facts: Facts) -> RowResult | None:
    if row.when is None:
        # The last row says only what the rows above leave over: alone it is never undecided.
        if any(result.answer is not Answer.NO for result in above):
            return None
        return RowResult(table.code, row, Answer.YES, tuple(_ruled_out(table, facts)))
    answer = evaluate(row.when, facts, row=True)
    deciding = reasons(row.when, facts, answer, row=True) if answer is not Answer.NO else ()
    return RowResult(table.code, row, answer, deciding)


def _ruled_out(table: Table, facts: Facts) -> Iterable[Test]:
    """What was recorded and rules out the rows above: the evidence of the last row."""
    found: dict[tuple[str, str], Test] = {}
    overruled = facts.protocol.overruled_facts
    for row in table.rows:
        for test in reasons(row.when, facts, Answer.NO, row=True) if row.when is not None else ():
            if test.origins and test.fact not in overruled:
                found.setdefault((test.fact, _limit(test)), test)
    return found.values()


def _limit(test: Test) -> str:
    """The limit that a measure was compared with; "" for a sign."""
    return next((str(value) for name, value in test.what.values if name == "limit"), "")


def _class(results: list[RowResult]) -> Iterable[Class]:
    if not results or results[-1].answer is not Answer.YES:
        return
    held = results[-1]
    open_above = tuple(r.row.code for r in results if r.answer is Answer.NOT_ASSESSED)
    row = held.row
    yield Class(held.table, row.code, row.severe, held.tests, row.cite, open_above, row.no_illness)


def _missing(rows: list[RowResult], facts: Facts) -> tuple[Missing, ...]:
    found: dict[tuple[str, str], Missing] = {}
    for result in rows:
        if result.answer is Answer.NOT_ASSESSED:
            for test in result.tests:
                if not test.fact.startswith(NOW):  # its own table asks for what it needs
                    item = _ask(test, result, facts)
                    key = (item.kind, item.code)
                    found[key] = found[key] if key in found and not item.required else item
    return tuple(found.values())


def _ask(test: Test, result: RowResult, facts: Facts) -> Missing:
    why: tuple[tuple[str, str | Message], ...] = (("row", Message(f"class.{result.row.code}")),)
    required = not facts.protocol.table_by_code[result.table].can_wait
    if test.fact in _WHO:
        return Missing(test.fact, test.fact, Message(f"missing.{test.fact}", why), required)
    if test.fact.startswith(EARLIER):
        return Missing("class", test.fact, Message("missing.earlier", why), required)
    if test.fact not in facts.protocol.measure_by_code:
        return Missing("finding", test.fact, Message("missing.finding", why), required)
    again = "missing.repeat" if facts.series.get(test.fact) else "missing.measure"
    return Missing("measure", test.fact, Message(again, why), required)


def _not_recorded(facts: Facts, asked: set[str]) -> tuple[str, ...]:
    """Signs and measures of the tables that count only when present, and were not recorded."""
    signs, measures = _optional(facts.protocol, frozenset(asked))
    answers, values = facts.answers, facts.values
    unknown = [
        sign.code
        for sign in signs
        if sign.code not in answers and (not sign.required_when or _may_matter(sign, facts))
    ]
    return (*unknown, *[code for code in measures if code not in values])


def _may_matter(sign: Sign, facts: Facts) -> bool:
    """Whether a sign that is asked only beside others is not settled by one of them."""
    before = [facts.answer(code) for code in sign.required_when]
    return Answer.YES not in before and Answer.NOT_ASSESSED in before


def _optional(protocol: Protocol, asked: frozenset[str]) -> tuple[list[Sign], list[str]]:
    """Tested signs and measures of these tables that are not always required, in table order."""
    found: tuple[list[Sign], list[str]] | None = protocol.made.get(("optional", asked))
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
            [sign for sign in signs if not sign.required],
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


def _refused(refusal: Refusal, protocol: Protocol) -> Caution:
    message, origins = refused(refusal), (refusal.origin,)
    if refusal.code:
        what = Message(_name(refusal.code, protocol))
        message = Message("caution.not-used-fact", (("what", what), ("why", message)))
        return Caution("not-used", "high", message, origins)
    severity = "high" if refusal.reason in _GRAVE else "moderate"
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
