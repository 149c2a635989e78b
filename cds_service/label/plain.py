"""The plan in plain words for a terminal, eighty columns wide.

Top to bottom in the order in which it is needed: what to do at once, what it is, what is still
missing, where the baby is treated and with what, when to come back, what to watch out for.
"""

from collections.abc import Iterable, Iterator
from itertools import dropwhile
from textwrap import wrap

from cds_service.case import Age, Answer
from cds_service.content.catalogue import ENGLISH
from cds_service.content.model import Cite, Message
from cds_service.content.text import render
from cds_service.engine import course_words, fluid_words
from cds_service.engine.assessment_model import Caution, Class
from cds_service.engine.model import Decision, FluidOrder, FollowUp, Order, Referral, RunningCourse
from cds_service.engine.phrase import (
    adapted,
    asked,
    cited,
    contained,
    days,
    dosage,
    due,
    fact,
    hand_out,
    moment,
    referral_title,
    says_only,
    sources,
    target,
    visit,
)
from cds_service.label.told import told

WIDTH = 80
"""Columns."""

_BRANCH_HEADINGS = {
    "": ("plain.refer", "plain.here"),
    "refer": ("plain.refer", "plain.here"),
    "here": ("plain.refer-anyway", "plain.here"),
    "refer-or-here": ("plain.option-a", "plain.option-b"),
    "refer-then-here": ("plain.refer", "plain.only-if-refused"),
}


def plain(decision: Decision, language: str = ENGLISH) -> str:
    """The whole plan as text, lines of at most WIDTH columns, ending with a line break.

    It is for the health worker and in English; in another `language` follows what the caregiver
    is told.
    """
    return "\n".join(_Page(decision, language).lines()) + "\n"


class _Page:
    """One decision being told; every method yields lines."""

    def __init__(self, decision: Decision, language: str) -> None:
        self._decision, self._language = decision, language
        self._plan = decision.plan
        self._assessment = decision.assessment

    def lines(self) -> Iterator[str]:
        """All lines, in order."""
        yield from self._header()
        yield from self._section(
            "plain.first", self._bullets(c.message for c in self._plan.emergency)
        )
        yield from self._section("plain.classes", self._classes())
        yield from self._branches()
        yield from self._section("plain.cautions", self._cautions())
        yield from self._section("plain.counselling", self._bullets(self._plan.counselling))
        yield from self._caregiver()
        yield from self._section("plain.not-recorded", self._not_recorded())
        yield from self._section("plain.sources", self._sources())

    def _branches(self) -> Iterator[str]:
        """Where the baby is treated; nothing that could wait stands before an urgent referral."""
        choice = self._plan.choice
        refer, here = _BRANCH_HEADINGS[choice]
        away = list(self._section(refer, self._branch("refer")))
        treated = list(self._section(here, self._branch("here")))
        beside = list(self._section("plain.missing", self._missing()))
        beside += self._section("plain.every-branch", self._branch(""))
        if choice == "refer-or-here":
            yield from self._section("plain.choose", iter(()), always=True)
            yield from (*away, *treated, *beside)
        elif choice:
            yield from (*away, *beside, *treated)
        else:
            sent = self._plan.assessment_referral
            yield from beside
            yield from self._section("plain.assess", self._referral(sent) if sent else ())
            yield from treated

    def _text(self, message: Message | str) -> str:
        key = Message(message) if isinstance(message, str) else message
        return render(self._decision.protocol, key)

    def _caregiver(self) -> Iterator[str]:
        """The caregiver's sentences again, in another language than English."""
        if self._language != ENGLISH:
            lines = [
                line for said in told(self._decision, self._language) for line in _bullet(said)
            ]
            heading = Message("plain.caregiver", (("language", self._language),))
            yield from ("", self._text(heading), *lines)

    def _section(self, heading: str, body: Iterable[str], *, always: bool = False) -> Iterator[str]:
        content = list(dropwhile(lambda line: not line, body))
        if content or always:
            yield from ("", self._text(heading), *content)

    def _bullets(self, messages: Iterable[Message]) -> Iterator[str]:
        for message in messages:
            yield from _bullet(self._text(message))

    def _header(self) -> Iterator[str]:
        case, protocol = self._decision.case, self._decision.protocol
        yield from wrap(self._text("write.proposal"), WIDTH)
        yield from wrap(f"{protocol.title}, {protocol.version}.", WIDTH)
        yield from (line for words in adapted(protocol) for line in wrap(self._text(words), WIDTH))
        as_of = self._text(Message("plain.as-of", (("moment", moment(case.as_of)),)))
        yield from wrap(f"{as_of} {self._age(case.age)}".strip(), WIDTH)
        if self._plan.summary:
            yield ""
            yield from wrap(" ".join(map(self._text, self._plan.summary)), WIDTH)

    def _age(self, age: Age | None) -> str:
        if age is None:
            return ""
        if age.low == age.high:
            return self._text(Message("plain.age", (("days", days(age.low)),)))
        span = (("low", str(age.low)), ("high", str(age.high)))
        return self._text(Message("plain.age-span", span))

    def _classes(self) -> Iterator[str]:
        if not self._assessment.classes:
            yield from _bullet(self._text("plain.no-class"))
        for held in self._assessment.classes:
            yield from self._class(held)

    def _class(self, held: Class) -> Iterator[str]:
        yield from _indent(f"{self._text(f'class.{held.code}')} ({self._text(cited(held.cite))})")
        found = [test for test in held.tests if test.answer is Answer.YES]
        for test in found:
            yield from _bullet(f"{self._text(test.what)} ({self._text(cited(test.cite))})", 4)
        if not found and held.tests:
            facts = "; ".join(self._text(test.what) for test in held.tests)
            yield from _indent(self._text(Message("plain.answered-no", (("facts", facts),))), 4)
        for code in held.open_above:
            above = Message("trace.open-above", (("class", Message(f"class.{code}")),))
            yield from _indent(self._text(above), 4)

    def _missing(self) -> Iterator[str]:
        for result in self._assessment.rows:
            if result.answer is Answer.NOT_ASSESSED:
                row = Message(f"class.{result.row.code}")
                yield from _bullet(self._text(Message("undecided", (("class", row),))))
        for missing in self._plan.missing:
            yield from _bullet(self._text(asked(self._decision.protocol, missing)))

    def _branch(self, branch: str) -> Iterator[str]:
        plan = self._plan
        if branch == "refer" and plan.referral is not None:
            yield from self._referral(plan.referral)
        fluids = [each for each in plan.fluids if each.branch == branch]
        for fluid in (each for each in fluids if each.is_urgent):
            yield from self._fluid(fluid)
        for order in (each for each in plan.orders if each.branch == branch):
            yield from self._order(order)
        for fluid in (each for each in fluids if not each.is_urgent):
            yield from self._fluid(fluid)
        for course in (each for each in plan.courses if each.is_told and each.branch == branch):
            yield from self._course(course)
        care = [each.message for each in plan.care if each.branch == branch]
        yield from ("", *self._bullets(care)) if care else ()
        visits = [each for each in plan.follow_ups if each.branch == branch]
        yield from self._visits(sorted(visits, key=lambda each: (each.on, each.key)))

    def _referral(self, referral: Referral) -> Iterator[str]:
        heading = self._text(referral_title(referral))
        yield from _indent(f"{heading} ({self._text(cited(referral.cite))})")
        yield from self._bullets(referral.reasons)
        if says_only(referral):
            yield from _indent(self._text("write.referral-only"))

    def _order(self, order: Order) -> Iterator[str]:
        dose = order.dose
        yield ""
        name = self._text(f"formulation.{dose.formulation.code}")
        yield from _indent(name[:1].upper() + name[1:])
        if order.instead_of:
            yield from _indent(
                self._text(Message("plain.replaces", (("medicine", self._replaced(order)),))), 4
            )
        given = f"{self._text(dosage(order))} {self._text(due(order))}"
        yield from _indent(self._text(Message("plain.give", (("dosage", given),))), 4)
        for message in (contained(order), target(dose), *dose.notes, hand_out(order)):
            yield from _indent(self._text(message), 4)
        for message in order.instructions:
            yield from _bullet(self._text(message), 4)
        yield from _indent(self._text(sources(order)), 4)

    def _course(self, course: RunningCourse) -> Iterator[str]:
        yield ""
        yield from _indent(self._text(course_words.title(course)))
        for message in course_words.details(course):
            yield from _indent(self._text(message), 4)

    def _fluid(self, order: FluidOrder) -> Iterator[str]:
        yield ""
        words = self._text(fluid_words.name(order))
        yield from _indent(words[:1].upper() + words[1:])
        if order.instead_of:
            others = {other.key: fluid_words.name(other) for other in self._plan.fluids}
            replaced = Message("plain.replaces", (("medicine", others[order.instead_of]),))
            yield from _indent(self._text(replaced), 4)
        for message in (*fluid_words.how_much(order), fluid_words.total(order)):
            if message is not None:
                yield from _indent(self._text(message), 4)
        for message in order.instructions:
            yield from _bullet(self._text(message), 4)
        yield from _indent(self._text(fluid_words.source(order)), 4)

    def _replaced(self, order: Order) -> Message:
        others = {other.key: other.dose.medicine.code for other in self._plan.orders}
        return Message(f"medicine.{others[order.instead_of]}")

    def _visits(self, visits: list[FollowUp]) -> Iterator[str]:
        if visits:
            yield from ("", *_indent(self._text("plain.come-back")))
        for follow_up in visits:
            when = self._text(visit(follow_up))
            yield from _bullet(f"{when} {self._text(follow_up.message)}", 4)

    def _cautions(self) -> Iterator[str]:
        # What two codes say in the same words is read once.
        for mark, words in dict.fromkeys(map(self._caution, self._plan.cautions)):
            yield from _bullet(words, mark=mark)

    def _caution(self, caution: Caution) -> tuple[str, str]:
        words = self._text(caution.message)
        if caution.action is not None:
            words = f"{words} {self._text(caution.action)}"
        return "!" if caution.severity == "high" else "-", words

    def _not_recorded(self) -> Iterator[str]:
        protocol = self._decision.protocol
        names = [self._text(fact(protocol, code)) for code in self._assessment.not_recorded]
        return iter(_indent("; ".join(names)) if names else ())

    def _sources(self) -> Iterator[str]:
        used = {key for cite in self._cites() for key in cite.sources}
        for source in self._decision.protocol.sources:
            if source.key in used:
                where = f" ({source.locator})" if source.locator else ""
                words = f"{source.key}  {source.title}. {source.imprint}{where}."
                yield from wrap(words, WIDTH, initial_indent="  ", subsequent_indent=" " * 8)
        if used:
            yield from _indent(self._text("plain.legend"))

    def _cites(self) -> Iterator[Cite]:
        plan = self._plan
        for held in self._assessment.classes:
            yield from (held.cite, *(test.cite for test in held.tests))
        for each in (plan.referral, plan.assessment_referral):
            if each is not None:
                yield each.cite
        for order in plan.orders:
            yield from (order.cite, order.dose.cite)
        yield from (fluid.fluid.cite for fluid in plan.fluids)


def _indent(text: str, by: int = 2) -> list[str]:
    return wrap(
        text, WIDTH, initial_indent=" " * by, subsequent_indent=" " * by, break_on_hyphens=False
    )


def _bullet(text: str, by: int = 2, mark: str = "-") -> list[str]:
    return wrap(
        text,
        WIDTH,
        initial_indent=f"{' ' * by}{mark} ",
        subsequent_indent=" " * (by + 2),
        break_on_hyphens=False,
    )
