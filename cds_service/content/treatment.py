"""One protocol as the program has it: complete, checked, frozen, with its look-ups."""

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from fnmatch import fnmatchcase
from functools import cached_property
from typing import Any

from cds_service.case import Answer
from cds_service.content.bidi import isolate_numbers, isolated
from cds_service.content.care import CareItem
from cds_service.content.catalogue import ENGLISH, Catalogue
from cds_service.content.courses import Courses
from cds_service.content.fluid import Fluid, Fluids
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.memo import Memo
from cds_service.content.model import (
    Cite,
    Derived,
    FindingTest,
    Layer,
    Measure,
    Number,
    Row,
    Sign,
    Source,
    Table,
    finding_tests,
    leaves,
    needs_earlier,
    table_tests,
)
from cds_service.content.plans import ClassPlan, LowWeight, PlanCaution
from cds_service.content.syringe import Syringe
from cds_service.content.weights import Growth, WeightLimits

VOMITED = "vomited-after-dose"
"""The sign whose times are held against those of the doses."""
REFERRAL = "referral-possible"
"""The sign that decides between "refer" and "treat here"."""


@dataclass(frozen=True)
class Protocol:
    """One edition of one protocol, complete, checked and frozen. Look-ups are made once."""

    id: str
    version: str
    title: str
    cite: Cite
    age_below: Number
    visit_length: Number
    course_gap: Number
    """A dose given longer ago than this belongs to an earlier course."""
    values: tuple[tuple[str, Number], ...]
    """Numbers that instructions name (spoon size, repeat window), by placeholder."""
    deviation_note: Number
    deviation_high: Number
    deviation_low: Number
    order_high: Number
    order_low: Number
    """How far the dose of a draft order may lie from the due one before it is said."""
    sources: tuple[Source, ...]
    signs: tuple[Sign, ...]
    measures: tuple[Measure, ...]
    derived: tuple[Derived, ...]
    tables: tuple[Table, ...]
    emergency: tuple[CareItem, ...]
    emergency_referral: Cite
    """Of the referral that an emergency sign means, also where no table asks for one."""
    referral_care: tuple[CareItem, ...]
    """With every referral, whatever its reason."""
    unfinished: tuple[CareItem, ...]
    """While the assessment is not complete and no urgent referral is due."""
    unfinished_referral: tuple[CareItem, ...]
    """The same while one is due: it does not wait."""
    plans: tuple[ClassPlan, ...]
    low_weight: LowWeight
    weight_limits: WeightLimits
    growth: Growth
    medicines: tuple[Medicine, ...]
    fluids: Fluids
    counselling: tuple[CareItem, ...]
    cautions: tuple[PlanCaution, ...]
    """Shown whatever the classes are."""
    courses: Courses
    """Of courses that began before the visit."""
    texts: "tuple[tuple[str, str], ...]"
    digest: str
    """SHA-256 over the exact bytes of every content file, in path order."""
    caregiver: tuple[str, ...] = ()
    """Which texts a caregiver hears or reads: their keys, * standing for any end of one."""
    catalogues: tuple[Catalogue, ...] = ()
    """Those texts in other languages; those of a layer after those of the base."""
    edition: Layer | None = None
    """The edition that lies over the base; None: the base edition itself."""
    adaptation: Layer | None = None
    """The national adaptation that lies over the edition."""
    syringes: tuple[Syringe, ...] = ()
    """In which a dose is drawn, the smallest first."""

    @cached_property
    def name(self) -> str:
        """Id, version and adaptation, as they are recorded: "sick-young-infant|2024.1+kestria"."""
        over = "" if self.adaptation is None else f"+{self.adaptation.id}"
        return f"{self.id}|{self.version}{over}"

    @cached_property
    def memo(self) -> Memo:
        """What others have worked out for one weight, amount or the like; emptied when full."""
        return Memo()

    @cached_property
    def made(self) -> dict[Hashable, Any]:
        """What others have made of this content alone, once and for good (compiled conditions)."""
        return {}

    @cached_property
    def age_limit(self) -> Decimal:
        """`age_below` in days."""
        return self.age_below.quantity.to("d").value

    @cached_property
    def visit_time(self) -> timedelta:
        """`visit_length` as a span of time, to the minute."""
        return timedelta(minutes=int(self.visit_length.quantity.to("min").value))

    @cached_property
    def course_gap_time(self) -> timedelta:
        """`course_gap` as a span of time, to the hour."""
        return timedelta(hours=int(self.course_gap.quantity.to("h").value))

    @cached_property
    def row_by_code(self) -> dict[str, Row]:
        """Rows by the class they give."""
        return {row.code: row for table in self.tables for row in table.rows}

    @cached_property
    def table_by_code(self) -> dict[str, Table]:
        """Tables by code."""
        return {table.code: table for table in self.tables}

    @cached_property
    def tables_by_sign(self) -> dict[str, tuple[str, ...]]:
        """The tables whose rows or gate test a sign, by its code."""
        found: dict[str, tuple[str, ...]] = {}
        for table in self.tables:
            gate = () if table.when is None else leaves(table.when)
            tested = (*gate, *table_tests(table))
            for code in {test.code for test in tested if isinstance(test, FindingTest)}:
                found[code] = (*found.get(code, ()), table.code)
        return found

    @cached_property
    def perhaps_not_judged(self) -> dict[str, tuple[str, ...]]:
        """Signs that are not judged for every infant, with the tables that judge them for some."""
        always = {table.code for table in self.tables if table.when is None}
        tables = self.tables_by_sign
        return {
            sign.code: tables.get(sign.code, ())
            for sign in self.signs
            if not sign.judged or (sign.code in tables and always.isdisjoint(tables[sign.code]))
        }

    @cached_property
    def follow_up_tables(self) -> frozenset[str]:
        """Tables that are only for infants of whom an earlier class is known."""
        return frozenset(
            table.code
            for table in self.tables
            if table.when is not None and needs_earlier(table.when)
        )

    @cached_property
    def sign_by_code(self) -> dict[str, Sign]:
        """Signs by code."""
        return {sign.code: sign for sign in self.signs}

    @cached_property
    def measure_by_code(self) -> dict[str, Measure]:
        """Measures by code."""
        return {measure.code: measure for measure in self.measures}

    @cached_property
    def derived_by_code(self) -> dict[str, Derived]:
        """Derived facts by code."""
        return {derived.code: derived for derived in self.derived}

    @cached_property
    def medicine_by_code(self) -> dict[str, Medicine]:
        """Medicines by code."""
        return {medicine.code: medicine for medicine in self.medicines}

    @cached_property
    def open_ended(self) -> frozenset[str]:
        """Medicines that are never given for a fixed time: each course of them is "at least"."""
        regimens = [each for plan in self.plans for each in plan.regimens]
        regimens.append(self.low_weight.regimen)
        courses = [each for regimen in regimens for each in regimen.courses if each.days]
        named = {code for course in courses for code in course.medicines}
        fixed = {code for each in courses if not each.at_least for code in each.medicines}
        return frozenset(named - fixed)

    @cached_property
    def fluid_by_code(self) -> dict[str, Fluid]:
        """Fluids by code, from the least to the most intensive."""
        return {fluid.code: fluid for fluid in self.fluids.every}

    @cached_property
    def plan_by_code(self) -> dict[str, ClassPlan]:
        """Class plans by class."""
        return {plan.code: plan for plan in self.plans}

    @cached_property
    def text_by_key(self) -> dict[str, str]:
        """English texts by key; the name of a formulation is completed with its strength."""
        texts = dict(self.texts)
        self._name_strengths(texts, str)
        return texts

    def _name_strengths(self, texts: dict[str, str], as_number: Callable[[str], str]) -> None:
        for _, form in self.formulations:
            key = f"formulation.{form.code}"
            if key in texts:
                strength = as_number(form.strength_on_label)
                texts[key] = texts[key].replace("{strength}", strength)

    @cached_property
    def caregiver_keys(self) -> tuple[str, ...]:
        """The keys of the texts that are translated: by pattern, and the counselling."""
        told = {f"care.{item.code}" for item in self.counselling}
        return tuple(
            key
            for key, _ in self.texts
            if key in told or any(fnmatchcase(key, each) for each in self.caregiver)
        )

    @cached_property
    def catalogue_by_language(self) -> dict[str, Catalogue]:
        """Catalogues by language tag; where there are several, the first that is a draft."""
        found: dict[str, Catalogue] = {}
        for catalogue in self.catalogues:
            if found.get(catalogue.language, catalogue).reviewed_by:
                found[catalogue.language] = catalogue
            else:
                found.setdefault(catalogue.language, catalogue)
        return found

    @cached_property
    def languages(self) -> tuple[str, ...]:
        """BCP-47 tags of the languages there are texts in; the first is the fallback."""
        return (ENGLISH, *self.catalogue_by_language)

    @cached_property
    def words_by_language(self) -> dict[str, dict[str, str]]:
        """The translations that may be used, by language and key.

        A translation of an English text that is another one now is not among them; one of a layer
        goes before that of the base. Numbers in a text that runs left are isolated.
        """
        words: dict[str, dict[str, str]] = {}
        for catalogue in self.catalogues:
            words.setdefault(catalogue.language, {}).update(self._usable(catalogue))
        return words

    def _usable(self, catalogue: Catalogue) -> dict[str, str]:
        english, known = dict(self.texts), frozenset(self.caregiver_keys)
        words = {
            each.key: each.text
            for each in catalogue.translations
            if each.counts and each.key in known and english[each.key] == each.english
        }
        if catalogue.runs_left:
            words = {key: isolate_numbers(text) for key, text in words.items()}
        self._name_strengths(words, isolated if catalogue.runs_left else str)
        return words

    @cached_property
    def acting_signs(self) -> frozenset[str]:
        """Signs whose YES means more care: when answered both ways, the YES acts.

        Those of the tables, of the emergency actions and of the cautions about medicines, the
        allergies, the products in use, and what implies one of them.
        """
        conditions = [row.when for table in self.tables for row in table.rows]
        conditions += [item.when for item in self.emergency]
        conditions += [caution.when for each in self.medicines for caution in each.cautions]
        conditions += [item.when for each in self.medicines for item in each.contraindications]
        conditions += [item.when for each in self.medicines for item in each.before_next]
        conditions += [way for each in self.fluids.every for way in (each.unless, each.tube_when)]
        conditions += [each.offered_when for each in self.medicines]
        conditions += [self.courses.hold_when, *(each.when for each in self.cautions)]
        tested = {t.code for when in conditions if when is not None for t in finding_tests(when)}
        implying = {
            sign.code
            for sign in self.implying_signs
            if any(i.answer is Answer.YES and i.code in tested for i in sign.implies)
        }
        reassuring = {sign.code for sign in self.signs if sign.reassuring}
        products = {sign.code for sign in self.signs if sign.medicine_atc}
        return frozenset((tested | implying | self.allergy_signs | products) - reassuring)

    @cached_property
    def implying_signs(self) -> tuple[Sign, ...]:
        """Signs whose YES answers other signs, in file order."""
        return tuple(sign for sign in self.signs if sign.implies)

    @cached_property
    def beside_in_table(self) -> frozenset[str]:
        """Signs that are asked beside another sign of their own table.

        While that one is open they are open too: nobody knows yet whether they must be asked.
        """
        found: set[str] = set()
        for table in self.tables:
            codes = {test.code for test in table_tests(table) if isinstance(test, FindingTest)}
            signs = [self.sign_by_code[code] for code in codes if code in self.sign_by_code]
            found |= {sign.code for sign in signs if codes.intersection(sign.required_when)}
        return frozenset(found)

    @cached_property
    def overruled_signs(self) -> tuple[Sign, ...]:
        """Signs that count only without a measurement, in file order."""
        return tuple(sign for sign in self.signs if sign.only_without)

    @cached_property
    def overruled_facts(self) -> frozenset[str]:
        """What is never evidence that nothing was found: an overruled sign, or the age."""
        return frozenset({sign.code for sign in self.overruled_signs} | {"age"})

    @cached_property
    def allergy_signs(self) -> frozenset[str]:
        """Signs that forbid a medicine: a YES of one of these always acts."""
        return frozenset(code for medicine in self.medicines for code in medicine.avoid_with)

    @cached_property
    def weight_flags(self) -> dict[str, tuple[tuple[Decimal, Decimal], ...]]:
        """Weight in kg at the low and the high flag limit, by sex and day of age."""
        return self.growth.flags(self.weight_limits)

    @cached_property
    def formulations(self) -> tuple[tuple[Medicine, Formulation], ...]:
        """Every formulation with its medicine, in file order."""
        return tuple((med, form) for med in self.medicines for form in med.formulations)
