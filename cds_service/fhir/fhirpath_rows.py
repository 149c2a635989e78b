"""FHIRPath of signs, conditions and tables: the same three-valued logic as the engine's.

`known_<sign>` is the answer, empty when unknown; `<sign>` the same as a table reads it, where a
sign that is not required counts only when present. `now_<class>` is whether a class holds.
"""

from collections.abc import Iterator

from cds_service.case import Answer
from cds_service.content.model import (
    DAY,
    EARLIER,
    NEW,
    NOW,
    Condition,
    FindingTest,
    Group,
    Implication,
    MeasureTest,
    Row,
    Sign,
    Table,
    leaves,
)
from cds_service.content.treatment import Protocol
from cds_service.fhir.fhirpath_data import (
    TIME,
    Variable,
    age_variables,
    answered,
    earlier_variables,
    largest,
    name,
    one_of,
    visit_variables,
)
from cds_service.fhir.fhirpath_measures import compared, measure_variables, newly


def variables(protocol: Protocol) -> tuple[Variable, ...]:
    """Every variable of the protocol's conditions, each after those that it needs."""
    made: tuple[Variable, ...] | None = protocol.made.get("fhirpath")
    if made is None:
        made = protocol.made["fhirpath"] = (
            *visit_variables(protocol),
            *age_variables(),
            *earlier_variables(_earlier(protocol)),
            *_born_before_weight(measure_variables(protocol)),
            *_signs(protocol),
            *_tables(protocol),
        )
    return made


def _born_before_weight(found: Iterator[Variable]) -> list[Variable]:
    """The birth weight stands in for the weight, so it comes first."""
    return sorted(found, key=lambda each: not each.name.startswith("birth_weight"))


def tests(protocol: Protocol) -> Iterator[FindingTest | MeasureTest]:
    """Every test of the tables and of what decides between regimens."""
    for table in protocol.tables:
        for when in (table.when, *(row.when for row in table.rows)):
            yield from leaves(when) if when is not None else ()
    chosen = [regimen.when for plan in protocol.plans for regimen in plan.regimens]
    for when in (*chosen, *(item.when for item in protocol.emergency)):
        yield from leaves(when) if when is not None else ()


def _earlier(protocol: Protocol) -> tuple[str, ...]:
    found: dict[str, None] = {}
    for test in tests(protocol):
        if isinstance(test, MeasureTest) and test.measure == DAY:
            found[test.since] = None
        elif isinstance(test, FindingTest) and test.code.startswith(EARLIER):
            found[test.code.removeprefix(EARLIER)] = None
    return tuple(found)


def _signs(protocol: Protocol) -> Iterator[Variable]:
    said = {test.code for test in tests(protocol) if isinstance(test, FindingTest)}
    beside = {code for sign in protocol.signs for code in sign.required_when}
    beside |= {
        sign.code for sign in protocol.implying_signs if any(i.code in said for i in sign.implies)
    }
    asked = [sign for sign in protocol.signs if sign.code in said | beside]
    for sign in asked:
        yield Variable(f"said_{name(sign.code)}", _said(sign, protocol), "As it was recorded.")
    for sign in asked:
        known = _settled(sign, protocol, {each.code for each in asked})
        yield Variable(f"known_{name(sign.code)}", known, "The answer; empty: not assessed.")
    for sign in asked:
        yield Variable(name(sign.code), _as_row(sign, protocol), "As a table reads it.")


def _codes(sign: Sign) -> tuple[str, ...]:
    return (sign.code, *sign.snomed)


def _in(sign: Sign, collection: str) -> str:
    found = (f"'{code}' in %{collection}" for code in _codes(sign))
    return f"({' or '.join(found)})"


def _said(sign: Sign, protocol: Protocol) -> str:
    where = "usable" if sign.lasting else "now"
    yes, no = (_in(sign, f"{answer}_{where}") for answer in ("yes", "no"))
    plain = f"iif({yes}, true, iif({no}, false, {{}}))"
    if sign.code in protocol.acting_signs:
        return plain
    return f"iif({yes} and {no}, {_later(sign, where)}, {plain})"


def _later(sign: Sign, where: str) -> str:
    """Of two answers the later; unknown when that is not known."""
    coded = f"code.coding.where(code in {one_of(_codes(sign))}).exists()"
    own = f"%{where}.where({coded} and ({answered('yes')} or {answered('no')}))"
    times = [
        largest(f"{own}.where({answered(answer)}).select({TIME}.toDateTime())")
        for answer in ("yes", "no")
    ]
    later = f"iif({times[0]} > {times[1]}, true, iif({times[0]} < {times[1]}, false, {{}}))"
    return f"iif({own}.where({TIME}.empty()).exists(), {{}}, {later})"


def _settled(sign: Sign, protocol: Protocol, asked: set[str]) -> str:
    said = f"%said_{name(sign.code)}"
    for other in protocol.implying_signs:
        for implied in other.implies:
            if implied.code == sign.code and other.code in asked:
                cause = f"%said_{name(other.code)} = true"
                if implied.answer is Answer.YES:
                    said = f"iif({cause}, true, {said})"
                else:
                    said = f"iif({said}.exists(), {said}, iif({cause}, false, {{}}))"
    if sign.only_without:
        said = f"iif(%{name(sign.only_without)}_rules_out, false, {said})"
    # What cannot be used might have been a yes.
    return f"iif(({said} = false) and {_in(sign, 'unsettled')}, {{}}, {said})"


def _as_row(sign: Sign, protocol: Protocol) -> str:
    known = f"%known_{name(sign.code)}"
    if sign.required:
        return known
    asked = [_in(sign, "unsettled")]
    known_beside = [f"%known_{name(code)}" for code in sign.required_when]
    asked += [f"({each} = true)" for each in known_beside]
    if sign.code in protocol.beside_in_table:
        asked += [f"{each}.empty()" for each in known_beside]
    open_now = " or ".join(f"iif({each}, true, false)" for each in asked)
    return f"iif({known}.exists(), {known}, iif({open_now}, {{}}, false))"


def expression(condition: Condition, protocol: Protocol, *, row: bool) -> str:
    """A condition as FHIRPath; `row`: as a table reads it."""
    if isinstance(condition, FindingTest):
        return _finding(condition, protocol, row=row)
    if isinstance(condition, MeasureTest):
        return compared(condition, protocol, row=row)
    items = [f"({expression(item, protocol, row=row)})" for item in condition.items]
    if condition.kind == "all":
        return " and ".join(items)
    if condition.kind == "any":
        return " or ".join(items)
    if condition.kind == "none":
        return f"({' or '.join(items)}).not()"
    return _at_least(condition, items)


def _at_least(group: Group, items: list[str]) -> str:
    sure = " + ".join(f"iif({item}, 1, 0)" for item in items)
    perhaps = " + ".join(f"iif({item} = false, 0, 1)" for item in items)
    enough, possible = (f"({each}) >= {group.count}" for each in (sure, perhaps))
    return f"iif({enough}, true, iif({possible}, {{}}, false))"


def _finding(test: FindingTest, protocol: Protocol, *, row: bool) -> str:
    for prefix, write in ((NOW, _now), (EARLIER, _held), (NEW, _new)):
        if test.code.startswith(prefix):
            return write(test.code.removeprefix(prefix), protocol)
    if test.code in protocol.derived_by_code:
        said = _derived(test.code, protocol)
    else:
        said = f"%{'' if row else 'known_'}{name(test.code)}"
    return said if test.expect is Answer.YES else f"({said}).not()"


def _now(code: str, _protocol: Protocol) -> str:
    return f"%now_{name(code)}"


def _held(code: str, _protocol: Protocol) -> str:
    return f"%earlier_{name(code)}"


def _derived(code: str, protocol: Protocol) -> str:
    derived = protocol.derived_by_code[code]
    said = {Answer.YES: "true", Answer.NO: "false"}.get(derived.otherwise, "{}")
    for condition in reversed(derived.first_known):
        one = expression(condition, protocol, row=False)
        said = f"iif(({one}).exists(), {one}, {said})"
    return said


def _new(code: str, protocol: Protocol) -> str:
    """Whether a sign of the class is there now that was looked for before and was absent."""
    row = protocol.row_by_code[code]
    items = [_is_new(test, protocol) for test in leaves(row.when)] if row.when is not None else []
    return f"%past.exists() and ({' or '.join(items) or 'false'})"


def _is_new(test: FindingTest | MeasureTest, protocol: Protocol) -> str:
    if isinstance(test, FindingTest):
        sign = protocol.sign_by_code[test.code]
        return f"(iif(%known_{name(test.code)}, true, false) and {_was_absent(sign, protocol)})"
    measure = protocol.measure_by_code.get(test.measure)
    return "false" if measure is None else newly(test, measure)


def _was_absent(sign: Sign, protocol: Protocol) -> str:
    """Whether an earlier visit answered NO, or gave another answer that implies it."""
    absent = Implication(sign.code, Answer.NO)
    others = [other for other in protocol.implying_signs if absent in other.implies]
    implied = [f"({_in(each, 'yes_old')} and {_in(each, 'no_old')}.not())" for each in others]
    said = " or ".join([_in(sign, "no_old"), *implied])
    return f"iif({said}, {_in(sign, 'yes_old')}.not(), false)"


def _tables(protocol: Protocol) -> Iterator[Variable]:
    severe: list[str] = []
    for table in protocol.tables:
        gate = _gate(table, severe, protocol)
        yield Variable(f"for_{name(table.code)}", gate, "Whether the table is for this infant.")
        above: list[str] = []
        for row in table.rows:
            holds = row_expression(table, row, above, protocol)
            yield Variable(f"now_{name(row.code)}", holds, "Whether the class holds.")
            above.append(f"%now_{name(row.code)}")
            if row.severe:
                severe.append(above[-1])


def _gate(table: Table, severe: list[str], protocol: Protocol) -> str:
    said = "true" if table.when is None else expression(table.when, protocol, row=True)
    if not (table.unless_severe and severe):
        return said
    held = " or ".join(f"iif({each}, true, false)" for each in severe)
    return f"iif({held}, false, {said})"


def row_expression(table: Table, row: Row, above: list[str], protocol: Protocol) -> str:
    """Whether a class holds: the first row that does; empty while that is open."""
    if row.when is None:
        none = " and ".join(f"({each} = false)" for each in above)
        said = f"iif({none}, true, {{}})"
    else:
        said = expression(row.when, protocol, row=True)
    if above:
        held = " or ".join(f"iif({each}, true, false)" for each in above)
        said = f"iif({held}, false, {said})"
    gate = f"%for_{name(table.code)}"
    if table.when is None and not table.unless_severe:
        return said
    return f"iif({gate}, {said}, iif({gate}.exists(), false, {{}}))"
