"""Content as objects: citations, numbers, signs, measures, conditions and tables.

Everything is frozen and knows where it comes from. Nothing here decides anything. Cite and
Message are tuples, because they are made and hashed in every answer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

from cds_service.case import Answer
from cds_service.quantity import Quantity, as_mass, convertible

EVIDENCE = ("seen", "memory", "derived", "practice")
"""How sure we are of a source: the words were read; recalled; arithmetic; no source."""


class Cite(NamedTuple):
    """Where a rule or number comes from: source keys, evidence mark, optional remark."""

    sources: tuple[str, ...]
    evidence: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Number:
    """A number of the content, with unit and source. `unit` may be a rate such as mg/kg."""

    value: Decimal
    unit: str
    cite: Cite
    quantity: Quantity = field(init=False, repr=False, compare=False)
    """The same as a Quantity, made once; one of a rate cannot be converted."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "quantity", Quantity(self.value, self.unit))


class Message(NamedTuple):
    """A text key and the values of its placeholders, in the order of the keys."""

    key: str
    values: "tuple[tuple[str, str | Message], ...]" = ()


@dataclass(frozen=True, slots=True)
class Source:
    """A published source; `locator` says which page or table, or how it was known."""

    key: str
    title: str
    publisher: str
    year: int | None
    """None where the edition that was read is not known."""
    url: str = ""
    locator: str = ""

    @property
    def imprint(self) -> str:
        """Publisher and year, as far as they are known."""
        return self.publisher if self.year is None else f"{self.publisher}, {self.year}"


@dataclass(frozen=True, slots=True)
class Implication:
    """A YES of the sign that carries it answers another sign, where that one is unknown."""

    code: str
    answer: Answer


@dataclass(frozen=True, slots=True)
class Sign:
    """One question. Its English wording is the text `sign.<code>`.

    `required` True: unknown leaves a row that tests it undecided. `required_when`: required
    only while one of those signs is YES. Otherwise it counts only when YES, and an unknown is
    listed as not recorded. `only_without` names a measure that overrules the sign when known.
    """

    code: str
    cite: Cite
    required: bool = False
    required_when: tuple[str, ...] = ()
    implies: tuple[Implication, ...] = ()
    only_without: str = ""
    lasting: bool = False
    """Holds beyond one visit (an allergy); otherwise an old answer is asked again."""
    snomed: tuple[str, ...] = ()
    allergy_snomed: tuple[str, ...] = ()
    allergy_atc: tuple[str, ...] = ()
    """ATC prefixes: an AllergyIntolerance to any code below them means YES."""
    allergy_words: tuple[str, ...] = ()
    """Lower-case words: an AllergyIntolerance whose text has one of them means YES."""
    medicine_atc: tuple[str, ...] = ()
    """ATC prefixes: a product below them in use means YES; the protocol's own medicines do not."""
    medicine_words: tuple[str, ...] = ()
    """Lower-case words: a product in use without an ATC code that has one of them means YES."""
    judged: bool = True
    """False: no table of this edition judges it yet; a YES is handed back, loudly."""
    reassuring: bool = False
    """A YES means less care, so that it never acts against a NO."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured kind. `loinc[0]` is the code to ask for; `unit` the one we reason in."""

    code: str
    cite: Cite
    loinc: tuple[str, ...]
    unit: str
    units: tuple[str, ...]
    possible: tuple[Number, Number]
    """Below the first or above the second is not a value of this kind at all."""
    required: bool = False
    lasting: bool = False
    """Holds beyond one visit (a weight, whose own age is judged); otherwise measured again."""
    repeat_within: Number | None = None
    """For a count that has to be repeated: how far apart two counts may be."""
    sites_that_exclude: tuple[str, ...] = ()
    """For a temperature: the sites whose normal value rules a sign out."""
    molar_mass: Number | None = None
    """g/mol, where a value may also be sent as a mass in a volume; it is kept as it was sent."""
    not_used_from: Number | None = None
    """From here up a number in `unit` is most likely one of the other unit: never "not low"."""
    doubted_below: Number | None = None
    """Below this a number in mg/dL may be one in `unit`: said, and used, for it may be true."""

    def kept_in(self, unit: str) -> str:
        """The unit in which a value is kept and compared that was sent in one of `units`."""
        return self.unit if convertible(unit, self.unit) else unit

    def ends(self, unit: str) -> tuple[Decimal, Decimal]:
        """The lowest and the highest possible value, in one of `units`."""
        low, high = (self.turned(end.quantity, unit).value for end in self.possible)
        return low, high

    def turned(self, quantity: Quantity, unit: str) -> Quantity:
        """A quantity in `unit` of this measure as one in another of `units`."""
        if self.molar_mass is None or convertible(quantity.unit, unit):
            return quantity.to(unit)
        return as_mass(quantity, self.molar_mass.value)


@dataclass(frozen=True, slots=True)
class FindingTest:
    """True when the sign (or derived fact) `code` has the answer `expect` (YES or NO)."""

    code: str
    expect: Answer
    cite: Cite


@dataclass(frozen=True, slots=True)
class MeasureTest:
    """Compare a measure (or "age") with a limit; `op` is one of OPS.

    `confirmed`: the value and its repeat must both pass (see Measure.repeat_within).
    `if_unknown`: the safer reading of a value that is not known well enough; then the test is
    never open.
    """

    measure: str
    op: str
    limit: Number
    cite: Cite
    confirmed: bool = False
    if_unknown: Answer = Answer.NOT_ASSESSED
    since: str = ""
    """For `day-of-treatment`: the class whose earlier visit was day 1."""
    others: tuple[Number, ...] = ()
    """The same limit as it is published in units in which a value is kept as it was sent."""

    def limit_in(self, unit: str) -> Decimal:
        """The limit that a value in `unit` is compared with, as it is published."""
        return next((each.value for each in self.others if each.unit == unit), self.limit.value)


OPS = ("below", "at-most", "at-least", "above")


@dataclass(frozen=True, slots=True)
class Group:
    """`kind` is "all", "any", "none" or "at-least" (then `count` of the items)."""

    kind: str
    items: "tuple[Condition, ...]"
    count: int = 0


Condition = FindingTest | MeasureTest | Group


def leaves(condition: Condition) -> "Iterator[FindingTest | MeasureTest]":
    """Every test in a condition, in the order in which it is written."""
    if isinstance(condition, Group):
        for item in condition.items:
            yield from leaves(item)
    else:
        yield condition


def finding_tests(condition: Condition) -> "Iterator[FindingTest]":
    """Every tested sign in a condition, in the order in which it is written."""
    return (test for test in leaves(condition) if isinstance(test, FindingTest))


@dataclass(frozen=True, slots=True)
class Derived:
    """A fact made of others: the first condition that is known decides, else `otherwise`."""

    code: str
    first_known: tuple[Condition, ...]
    otherwise: Answer
    cite: Cite


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table. `when` None means: no row above holds (the table's last row).

    `severe`: the class needs hospital care. `no_illness`: the class says that nothing was
    found, so it is never written while a row above is undecided.
    """

    code: str
    cite: Cite
    when: Condition | None
    severe: bool = False
    no_illness: bool = False
    now: str = field(init=False, repr=False, compare=False)
    """The code of the test whether the class holds."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "now", NOW + self.code)


@dataclass(frozen=True, slots=True)
class Table:
    """A classification table: the first row that holds gives the class.

    `when` says for whom the table is asked (None: everyone); while that is open, so is the table.
    `can_wait`: what it still needs is asked for, but does not hold up the plan.
    `unless_severe`: not asked while a class that needs hospital care holds.
    """

    code: str
    rows: tuple[Row, ...]
    when: Condition | None = None
    can_wait: bool = False
    unless_severe: bool = False


def table_tests(table: Table) -> "Iterator[FindingTest | MeasureTest]":
    """Every test of a table's rows, in the order in which it is written."""
    return (test for row in table.rows if row.when is not None for test in leaves(row.when))


NOW, EARLIER, NEW = "now.", "earlier.", "new."
"""What begins the code of a test for a class: it holds now; it held at an earlier visit; one of
its signs is there now that was looked for at an earlier visit and was absent."""
DAY = "day-of-treatment"
"""A measure that is worked out: the day of the earlier visit of a class is day 1."""
ABOUT_CLASSES = (NOW, EARLIER, NEW)


def needs_earlier(condition: Condition) -> bool:
    """Whether a condition can hold only where a class of an earlier visit is known."""
    if isinstance(condition, Group) and condition.kind in ("all", "any"):
        enough = any if condition.kind == "all" else all
        return enough(needs_earlier(item) for item in condition.items)
    return isinstance(condition, FindingTest) and condition.code.startswith(EARLIER)


class Change(NamedTuple):
    """One change of a layer, for people: where, how, why."""

    place: str
    """File and path, such as "protocol.yaml: values/repeat_window"."""
    reason: str
    sources: tuple[str, ...]
    evidence: str
    was: str = ""
    """What was there before, in a few words; nothing where something was only added."""
    now: str = ""
    """What was set or added, in a few words; nothing where something was removed."""


@dataclass(frozen=True, slots=True)
class Layer:
    """An edition or an adaptation that lies over the base content."""

    id: str
    title: str
    changes: tuple[Change, ...]
    edition: str = ""
    """For an adaptation: the version that it lies over, and no other."""
    languages: tuple[str, ...] = ()
    """Tags of the languages that are used; empty: every one there is."""
