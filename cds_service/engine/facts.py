"""Facts: what is known of one infant, one answer a sign and one value a measure.

They are made once, by `settle`, and only read afterwards. Unknown stays NOT_ASSESSED.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal

from cds_service.case import Age, Answer, Case, Measurement, Origin
from cds_service.content.treatment import Protocol
from cds_service.engine.assessment_model import Caution, Weight
from cds_service.engine.model import Dose, NoDose, Vomited


@dataclass(slots=True)
class Facts:
    """What is known, settled: one answer a sign, one value (or a tie) a measure.

    Built once by `settle` and only read afterwards. `values` holds more than one measurement
    of a kind only when they were taken at the same moment and differ.
    """

    case: Case
    protocol: Protocol
    answers: dict[str, Answer] = field(default_factory=dict)
    origins: dict[str, tuple[Origin, ...]] = field(default_factory=dict)
    values: dict[str, tuple[Measurement, ...]] = field(default_factory=dict)
    series: dict[str, tuple[Measurement, ...]] = field(default_factory=dict)
    """Every usable measurement of a kind, earliest first (breathing counts, weights)."""
    classes: dict[str, Answer] = field(default_factory=dict)
    """What is known of the classes, by the code of the test: `now.<class>` once its table is
    read, `earlier.<class>`, `new.<class>`. What is not in it is NO."""
    before: dict[str, Answer] = field(default_factory=dict)
    """The latest answer of an earlier visit to a sign."""
    before_values: dict[str, Measurement] = field(default_factory=dict)
    """The latest measurement of an earlier visit."""
    unsettled: frozenset[str] = frozenset()
    """Signs, measures and medicines of which something was sent that cannot be used."""
    measure_again: list[str] = field(default_factory=list)
    """Measures whose last value is harmless while the one before was a sign of severe illness."""
    cautions: list[Caution] = field(default_factory=list)
    doses: dict[str, Dose | NoDose] = field(default_factory=dict)
    """Doses made so far for this infant, by medicine: one dose serves every branch."""
    vomited: tuple[Vomited, ...] | None = None
    """Doses that were vomited, once somebody asked for them (engine.vomited)."""
    weight: Weight | None = None
    """The weight to dose by, once somebody asked for it (engine.weight)."""
    then: "dict[int, Facts]" = field(default_factory=dict)
    """The same facts so many days ago (below zero: later), once somebody asked for them."""

    def answer(self, code: str) -> Answer:
        """The answer to a sign; NOT_ASSESSED when nobody said."""
        return self.answers.get(code, Answer.NOT_ASSESSED)

    def is_yes(self, code: str) -> bool:
        """Whether the sign is known to be present."""
        return self.answers.get(code) is Answer.YES

    def any_yes(self, codes: Iterable[str]) -> bool:
        """Whether one of these signs is known to be present."""
        return Answer.YES in map(self.answers.get, codes)

    def not_all_no(self, codes: Iterable[str]) -> bool:
        """Whether one of these signs is present, or may be."""
        return any(self.answers.get(code) is not Answer.NO for code in codes)

    @property
    def age(self) -> Age | None:
        """The infant's age as a span of days, or None."""
        return self.case.age

    def age_span(self) -> tuple[int, int] | None:
        """The youngest and the oldest the infant can be, in completed days."""
        age = self.case.age
        return None if age is None else (age.low, age.high)

    def hours_span(self) -> tuple[int, int] | None:
        """The fewest and the most hours since the birth, in completed hours."""
        age = self.case.age
        if age is None:
            return None
        return age.hours or (24 * max(0, age.low - 1), 24 * (age.high + 1))

    def on(self, day: date) -> "Facts":
        """The same facts with the age of another day, earlier or later than the visit."""
        return self.days_ago((self.case.as_of.date() - day).days)

    def days_ago(self, days: int) -> "Facts":
        """The same facts with the age of some days ago, for the rule that held then."""
        age = self.case.age
        if age is None or days == 0:
            return self
        known = self.then.get(days)
        if known is None:
            young = Age(max(0, age.low - days), max(0, age.high - days), age.origin)
            case = replace(self.case, age=young)
            known = self.then[days] = replace(self, case=case, weight=None, then={})
        return known

    def age_is_inside(self) -> bool:
        """Whether the infant is certainly young enough for this protocol."""
        age = self.case.age
        return age is not None and age.high < self.protocol.age_limit

    def gestation_now(self) -> tuple[Decimal, Decimal] | None:
        """Postmenstrual age in days as a span: gestational age at birth plus age since."""
        born = self.values.get("gestational-age")
        if born is None or self.case.age is None:
            return None
        days = born[0].quantity.to("d").value
        return days + self.case.age.low, days + self.case.age.high


def hours_old(facts: Facts, reading: Measurement) -> Decimal:
    """Hours since a measurement; one without a time is of this visit, or of the birth."""
    if reading.at is not None:
        return Decimal(int((facts.case.as_of - reading.at).total_seconds())) / 3600
    if reading.kind != "birth-weight":
        return Decimal(0)
    return Decimal("Infinity") if facts.age is None else Decimal(24) * (facts.age.high + 1)
