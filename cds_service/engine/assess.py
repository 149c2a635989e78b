"""Classify: every table, first row that holds, with what is still open above it.

Design, decision 3: a more severe row left undecided is reported, never skipped; a danger sign
that is YES acts at once, whatever else is missing.
"""

from collections.abc import Iterable

from cds_service.case import Answer, Refusal
from cds_service.content.model import FindingTest, MeasureTest, Message, Row, Sign, Table, leaves
from cds_service.content.treatment import Protocol
from cds_service.engine.conditions import evaluate
from cds_service.engine.facts import Facts
from cds_service.engine.model import Assessment, Caution, Class, Missing, RowResult, Test
from cds_service.engine.trace import reasons
from cds_service.engine.words import refused

# Refusals of things that nobody can name: what they were might change everything.
_GRAVE = frozenset(
    {
        "allergy-not-understood",
        "code-ambiguous",
        "finding-unknown",
        "medicine-not-understood",
        "patient-replaced",
        "subject-missing",
    }
)


def assess(facts: Facts) -> Assessment:
    """Classify the infant by every table of the protocol."""
    results = [_results(table, facts) for table in facts.protocol.tables]
    rows = tuple(result for table in results for result in table)
    classes = tuple(held for table in results for held in _class(table))
    return Assessment(
        classes=classes,
        rows=rows,
        missing=_missing(rows, facts),
        not_recorded=_not_recorded(facts),
        cautions=_cautions(facts),
    )


def _results(table: Table, facts: Facts) -> list[RowResult]:
    """The rows down to the first that holds; what comes below it does not matter."""
    results: list[RowResult] = []
    for row in table.rows:
        result = _result(table, row, results, facts)
        if result is not None:
            results.append(result)
        if result is not None and result.answer is Answer.YES:
            break
    return results


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
    overruled = {sign.code for sign in facts.protocol.overruled_signs} | {"age"}
    for row in table.rows:
        for test in reasons(row.when, facts, Answer.NO, row=True) if row.when is not None else ():
            if test.origins and test.fact not in overruled:
                limit = dict(test.what.values).get("limit", "")
                found.setdefault((test.fact, str(limit)), test)
    return found.values()


def _class(results: list[RowResult]) -> Iterable[Class]:
    if not results or results[-1].answer is not Answer.YES:
        return
    held = results[-1]
    open_above = tuple(r.row.code for r in results if r.answer is Answer.NOT_ASSESSED)
    row = held.row
    yield Class(held.table, row.code, row.severe, held.tests, row.cite, open_above)


def _missing(rows: tuple[RowResult, ...], facts: Facts) -> tuple[Missing, ...]:
    found: dict[tuple[str, str], Missing] = {}
    for result in rows:
        if result.answer is Answer.NOT_ASSESSED:
            for test in result.tests:
                item = _ask(test, result, facts)
                found.setdefault((item.kind, item.code), item)
    return tuple(found.values())


def _ask(test: Test, result: RowResult, facts: Facts) -> Missing:
    why: tuple[tuple[str, str | Message], ...] = (("row", Message(f"class.{result.row.code}")),)
    if test.fact == "age":
        return Missing("age", "age", Message("missing.age", why), required=True)
    if test.fact not in facts.protocol.measure_by_code:
        return Missing("finding", test.fact, Message("missing.finding", why), required=True)
    again = "missing.repeat" if facts.series.get(test.fact) else "missing.measure"
    return Missing("measure", test.fact, Message(again, why), required=True)


def _not_recorded(facts: Facts) -> tuple[str, ...]:
    """Signs and measures of the tables that count only when present, and were not recorded."""
    signs, measures = _optional(facts.protocol)
    unknown = (sign for sign in signs if sign.code not in facts.answers)
    codes = [sign.code for sign in unknown if _may_matter(sign, facts)]
    return (*codes, *(code for code in measures if code not in facts.values))


def _may_matter(sign: Sign, facts: Facts) -> bool:
    """Whether a sign that was not recorded is optional here, and not settled by another sign."""
    if not sign.required_when:
        return True
    before = [facts.answer(code) for code in sign.required_when]
    return Answer.YES not in before and Answer.NOT_ASSESSED in before


def _optional(protocol: Protocol) -> tuple[list[Sign], list[str]]:
    """Tested signs and measures that are not always required, in table order; worked out once."""
    found: tuple[list[Sign], list[str]] | None = protocol.made.get("optional")
    if found is None:
        rows = (row for table in protocol.tables for row in table.rows if row.when is not None)
        tested = [test for row in rows if row.when is not None for test in leaves(row.when)]
        codes = dict.fromkeys(test.code for test in tested if isinstance(test, FindingTest))
        kinds = dict.fromkeys(test.measure for test in tested if isinstance(test, MeasureTest))
        signs = [protocol.sign_by_code[code] for code in codes if code in protocol.sign_by_code]
        measured = [
            protocol.measure_by_code[kind] for kind in kinds if kind in protocol.measure_by_code
        ]
        found = (
            [sign for sign in signs if not sign.required],
            [measure.code for measure in measured if not measure.required],
        )
        protocol.made["optional"] = found
    return found


def _cautions(facts: Facts) -> tuple[Caution, ...]:
    """What was noticed about the record, in an order that does not depend on the caller's."""
    refusals = [_refused(refusal, facts.protocol) for refusal in facts.case.refusals]
    found = [*refusals, *facts.cautions, *_not_judged(facts)]
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


def _not_judged(facts: Facts) -> Iterable[Caution]:
    for code in sorted(facts.answers):
        if facts.is_yes(code) and not facts.protocol.sign_by_code[code].judged:
            message = Message("caution.not-judged", (("what", Message(f"sign.{code}")),))
            yield Caution("not-judged", "high", message, facts.origins[code])
