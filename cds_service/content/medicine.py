"""Medicines as content: formulations, dose rules, intervals, ceilings."""

from dataclasses import dataclass
from decimal import Decimal

from cds_service.content.model import Cite, Condition, Number
from cds_service.quantity import Quantity, plain


@dataclass(frozen=True, slots=True)
class Part:
    """Another substance in the same amount of a product; its name: text `substance.<code>`."""

    code: str
    strength: Quantity


@dataclass(frozen=True, slots=True)
class Formulation:
    """One product form that a clinic may have in stock.

    `substance` in `per` is the strength as it is measured out (after any dilution): 250 mg in
    1.5 mL. `step` is the smallest amount that can be measured (0.1 mL, half a tablet).
    `pack` is what is handed out or opened ({bottle}, {vial}, {tbl}); `pack_size` how much one
    holds once made up; `shelf_life` how long it keeps once made up (None: no limit declared).
    """

    code: str
    cite: Cite
    form: str
    form_snomed: str
    label_strength: tuple[Quantity, Quantity]
    substance: Quantity
    per: Quantity
    step: Number
    pack: str
    pack_size: Number
    shelf_life: Number | None
    dilute: Number | None
    """Volume of sterile water to add to the vial before measuring; None: use as it is."""
    counted: str = ""
    """Of a product with several substances: the one that doses are counted in (`substance`)."""
    beside: tuple[Part, ...] = ()
    """The other substances in the same amount."""

    @property
    def strength_on_label(self) -> str:
        """The strength as the label says it: "250 mg", "125 mg/5 mL", "200 mg/40 mg per 5 mL"."""
        substance, per = self.label_strength
        name = f"{substance.value:f} {substance.unit.strip('[]')}".replace("iU", "IU")
        names = "/".join((name, *(str(part.strength) for part in self.beside)))
        if per.unit.startswith("{"):
            return names
        if not self.beside and per.value == 1:
            return f"{names}/{per.unit}"
        return f"{names}{' per ' if self.beside else '/'}{per.value:f} {per.unit}"

    @property
    def is_thinned(self) -> bool:
        """Whether it is a liquid that is diluted first: a volume may be meant before or after."""
        return self.dilute is not None and self.label_strength[1].unit == self.per.unit

    def contained_beside(self, amount: Quantity) -> tuple[Quantity, ...]:
        """The other substances in `amount` of this form."""
        share = amount.to(self.per.unit).value / self.per.value
        strengths = (part.strength for part in self.beside)
        return tuple(Quantity(plain(each.value * share), each.unit) for each in strengths)

    def contained(self, amount: Quantity) -> Quantity:
        """The substance in `amount` of this form: amount x strength, in Decimal."""
        value = amount.to(self.per.unit).value * self.substance.value / self.per.value
        return Quantity(value, self.substance.unit)

    def amount_for(self, substance: Decimal) -> Decimal:
        """How much of this form holds that much substance (same unit as `self.substance`)."""
        return substance * self.per.value / self.substance.value


@dataclass(frozen=True, slots=True)
class Cell:
    """What a weight band gives of one formulation, and the dose range it must stay in."""

    formulation: str
    amount: Number
    low: Number
    high: Number


@dataclass(frozen=True, slots=True)
class Band:
    """From `low` (included) to `high` (excluded; None: no upper end).

    `cells` give a fixed amount per formulation; an empty tuple means: dose per kilogram.
    `prefer` is the order in which formulations are chosen in this band, when it differs.
    """

    code: str
    cite: Cite
    low: Number
    high: Number | None
    cells: tuple[Cell, ...]
    prefer: tuple[str, ...]
    per_kg: "PerKg | None" = None
    caution: str = ""


@dataclass(frozen=True, slots=True)
class PerKg:
    """A dose per kilogram: target, the range before rounding, the limits after it.

    `rounding` is "nearest" or "down". `low` and `high` bound the unrounded target;
    `rounded_low` and `rounded_high` what is really given, per kilogram.
    """

    target: Number
    low: Number
    high: Number
    rounded_low: Number
    rounded_high: Number
    rounding: str
    step: Number | None = None
    """Overrides the formulation's own step (the per-kg rule for syrup rounds to 0.5 mL)."""


@dataclass(frozen=True, slots=True)
class DoseRule:
    """One dose rule: the first whose `when` holds applies (None: always).

    One of `per_kg`, `bands` and `fixed` is given; `fixed` names an amount of each formulation
    that is given whatever the weight.
    """

    code: str
    cite: Cite
    when: Condition | None
    per_kg: PerKg | None
    bands: tuple[Band, ...]
    fixed: tuple[tuple[str, Number], ...] = ()


@dataclass(frozen=True, slots=True)
class Medicine:
    """One medicine; names and instructions are texts `medicine.<code>...`."""

    code: str
    cite: Cite
    atc: str
    route: str
    site: str
    times_a_day: Number
    interval: Number
    not_before: Number
    """The shortest time between two doses, when a dose was given earlier than planned."""
    ceiling: Number | None
    hard_max: Number | None
    target: Number | None
    """The published target dose per kilogram, against which a banded dose is compared."""
    rules: tuple[DoseRule, ...]
    formulations: tuple[Formulation, ...]
    prefer: tuple[str, ...]
    """Formulation codes, the protocol's preference first."""
    avoid_with: tuple[str, ...]
    """Signs that, when YES, forbid the medicine (allergies)."""
    ask_first: tuple[str, ...]
    """Signs among `avoid_with` that are asked about when unknown."""
    offered_when: Condition | None
    """Offered only when this is YES; unknown means: not offered, say what is missing."""
    cautions: "tuple[MedicineCaution, ...]"
    split_above: Number | None
    senior_above: Number | None
    contraindications: "tuple[Contraindication, ...]" = ()
    before_next: "tuple[Contraindication, ...]" = ()
    """What forbids every dose but the first: held, and the infant is referred."""
    if_open: str = "rule-open"
    """The text `no-dose.<...>` that says why there is no dose while the rule is not known."""
    each_day: bool = False
    """Whether a dose follows the age of its own day; else the rule of the first day holds."""

    @property
    def is_injected(self) -> bool:
        """Whether it is given by injection; else it is given by mouth or in the mouth."""
        return self.route == "intramuscular"

    @property
    def acts_in_the_mouth(self) -> bool:
        """Whether it acts where it is put, so that no amount per kilogram is told."""
        return self.route == "oromucosal"

    def formulation(self, code: str) -> Formulation:
        """Look up a formulation of this medicine; raises KeyError when it has none such."""
        for form in self.formulations:
            if form.code == code:
                return form
        raise KeyError(code)


@dataclass(frozen=True, slots=True)
class Contraindication:
    """While `when` holds the medicine is not given; text `no-dose.<code>`, filled from `values`.

    `asked`: what is not known of it is said and asked for, and the medicine is given all the
    same. Otherwise it counts only when it is known to hold.
    """

    code: str
    cite: Cite
    when: Condition
    severity: str
    asked: bool = False
    values: tuple[tuple[str, Number], ...] = ()
    waits: bool = False
    """The infant grows out of it: the day is told (`due` in the text), with a visit on it."""


@dataclass(frozen=True, slots=True)
class MedicineCaution:
    """A caution shown with the medicine when `when` holds; text `caution.<code>`."""

    code: str
    cite: Cite
    when: Condition | None
    severity: str
    beyond: Number | None = None
    """Only for a course longer than this many days."""
    stop_at: Number | None = None
    """While the caution holds, the course is no longer than this many days."""
    after_first: str = ""
    """The code of what is said in its place once a dose was given; "" for the same words."""
    values: tuple[tuple[str, Number], ...] = ()
