"""The cards of a plan: what is to be done now, the treatment, what is missing, the cautions."""

from collections.abc import Iterator, Sequence

from cds_service.case import Answer
from cds_service.content.model import Message
from cds_service.engine import course_words, fluid_words
from cds_service.engine.model import Care, Decision, FluidOrder, FollowUp, Order
from cds_service.engine.phrase import (
    asked,
    contained,
    dosage,
    due,
    referral_title,
    says_only,
    visit,
)
from cds_service.fhir.cards import INDICATORS, Deck, Section
from cds_service.fhir.write_json import Json

_REFER = {
    "refer": "hooks.summary.refer",
    "refer-or-here": "hooks.summary.refer-or-here",
    "refer-then-here": "hooks.summary.refer",
    "here": "hooks.summary.refer-failed",
}
_SHAPES = {
    "refer-or-here": "hooks.refer-or-here",
    "refer-then-here": "hooks.refer-only",
    "here": "hooks.here-referral-due",
}


def plan_cards(deck: Deck, not_sent: Sequence[str], *, inside: bool) -> None:
    """Deal the cards of a plan; `inside`: the age is not certainly outside the protocol."""
    if not inside:
        deck.deal("missing", "warning", [deck.title("hooks.summary.outside-age")], ())
        return
    plan = _Plan(deck)
    plan.now()
    plan.treatment()
    plan.missing(not_sent)
    plan.cautions()


class _Plan:
    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._decision: Decision = deck.decision
        self._plan = deck.decision.plan
        self._due: tuple[Order | FluidOrder, ...] = (*self._plan.orders, *self._plan.fluids)
        self._text, self._title = deck.text, deck.title

    def now(self) -> None:
        """Emergency actions and the referral; nothing when neither is due."""
        plan = self._plan
        if not plan.emergency and plan.referral is None and plan.assessment_referral is None:
            return
        summary = [self._title("hooks.summary.emergency")] if plan.emergency else []
        if plan.referral is not None:
            summary.append(self._title(_REFER[plan.choice]))
        elif plan.assessment_referral is not None:
            summary.append(self._title("hooks.summary.assessment"))
        grave = bool(plan.emergency) or plan.referral is not None
        summary += self._headline()
        sections: list[Section] = [
            ("", self._headline()),
            (self._title("hooks.first"), self._care(plan.emergency)),
            (self._title("hooks.refer"), list(self._referral())),
            (self._title("hooks.before-referral"), list(self._given("refer"))),
            (self._title("hooks.on-the-way"), self._care(self._of("refer"))),
        ]
        indicator = "critical" if grave else "warning"
        suggested = list(self._leaving())
        self._deck.deal("now", indicator, summary, sections, suggested, behaviour="any")

    def treatment(self) -> None:
        """What is given here, with doses; then care and visits."""
        shape = _SHAPES.get(self._plan.choice, "")
        heading = self._title(shape or "hooks.here")
        classes = [self._title(f"class.{each.code}") for each in self._decision.assessment.classes]
        visits = [f"{self._text(each.message)} {self._text(visit(each))}" for each in self._visits]
        sections: list[Section] = [
            (self._title("hooks.classes"), classes),
            (heading, list(self._given("here"))),
            (self._title("hooks.care"), self._care([*self._of(""), *self._of("here")])),
            (self._title("hooks.visits"), visits),
        ]
        if not any(lines for _, lines in sections):
            return
        summary = [*self._lead(), *self._headline()]
        doses = any(each.branch == "here" for each in self._due)
        indicator = "warning" if doses else "info"
        self._deck.deal("treatment", indicator, summary, sections, list(self._drafts()))

    def missing(self, not_sent: Sequence[str]) -> None:
        """What would complete the plan, and which data never came."""
        plan, assessment = self._plan, self._decision.assessment
        facts = [self._text(asked(self._decision.protocol, each)) for each in plan.missing]
        rows = [each.row.code for each in assessment.rows if each.answer is Answer.NOT_ASSESSED]
        undecided = [self._title(f"class.{code}") for code in dict.fromkeys(rows)]
        data = [self._title(f"hooks.data.{key}") for key in not_sent]
        if not facts and not undecided and not data:
            return
        required = any(each.required for each in plan.missing)
        key = "hooks.summary.missing" if required else "hooks.summary.asked"
        summary = [self._title("hooks.summary.not-sent")] if data else []
        summary += [self._title(key, count=str(len(facts)))] if facts else []
        summary += [self._title("hooks.undecided") + "."] if not summary else []
        sections = [
            (self._title("hooks.not-sent"), data),
            (self._title("hooks.missing"), facts),
            (self._title("hooks.undecided"), undecided),
        ]
        self._deck.deal("missing", "warning" if required or data else "info", summary, sections)

    def cautions(self) -> None:
        """Every caution, the gravest first; one that is grave makes the card a warning."""
        plan = self._plan
        if not plan.cautions:
            return
        lines = []
        for each in plan.cautions:
            action = "" if each.action is None else f" {self._text(each.action)}"
            lines.append(f"{self._text(each.message)}{action}")
        count = self._title("hooks.summary.cautions", count=str(len(lines)))
        grave = plan.cautions[0].severity
        indicator = "warning" if grave == "high" else INDICATORS["low"]
        sections = [(self._title("hooks.cautions"), list(dict.fromkeys(lines)))]
        self._deck.deal("cautions", indicator, [count, *lines[:1]], sections)

    def _headline(self) -> list[str]:
        return [self._text(each) for each in self._plan.summary]

    def _named_medicines(self) -> list[str]:
        here = [each for each in self._plan.orders if each.branch == "here" and not each.instead_of]
        names = [self._title(f"medicine.{each.dose.medicine.code}") for each in here]
        names += [
            self._text(fluid_words.name(each))
            for each in self._plan.fluids
            if each.branch == "here"
        ]
        return list(dict.fromkeys(names))

    def _lead(self) -> Iterator[str]:
        """What the treatment is; that there is none is only said when nothing is due or runs."""
        plan, names = self._plan, self._named_medicines()
        if names:
            yield self._listed("hooks.summary.medicines", names)
        for state in ("continue", "hold", "renew", "stop"):
            codes = [each.medicine for each in plan.courses if each.state == state]
            if codes:
                yield self._listed(
                    f"hooks.summary.{state}", [self._title(f"medicine.{code}") for code in codes]
                )
        if self._is_withheld():
            yield self._title("hooks.summary.withheld")
        elif plan.status == "data-required":
            yield self._title("hooks.summary.undecided")
        elif not names and not plan.courses and plan.choice != "refer":
            yield self._title("hooks.summary.no-medicine")

    def _is_withheld(self) -> bool:
        """Whether something is due of which no dose can be made now."""
        return any(
            each.severity == "high" and each.code.startswith(("no-dose", "weigh-again"))
            for each in self._plan.cautions
        )

    def _listed(self, key: str, names: list[str]) -> str:
        first, more = ", ".join(names[:_FEW]), len(names) - _FEW
        if more <= 0:
            return self._title(f"{key}.all", names=first)
        return self._title(f"{key}.more", names=first, more=str(more))

    def _of(self, branch: str) -> list[Care]:
        return [each for each in self._plan.care if each.branch == branch]

    def _care(self, items: Sequence[Care]) -> list[str]:
        return [self._text(each.message) for each in items]

    @property
    def _visits(self) -> list[FollowUp]:
        found = [each for each in self._plan.follow_ups if each.branch != "refer"]
        return sorted(found, key=lambda each: (each.on, each.key))

    def _referral(self) -> Iterator[str]:
        for each in (self._plan.referral, self._plan.assessment_referral):
            if each is not None:
                yield self._title(referral_title(each))
                yield from map(self._text, each.reasons)
                if says_only(each):
                    yield self._title("write.referral-only")

    def _given(self, branch: str) -> Iterator[str]:
        yield from self._fluids(branch, urgent=True)
        for order in self._plan.orders:
            if order.branch == branch:
                yield from self._order(order)
        yield from self._fluids(branch, urgent=False)
        for course in self._plan.courses:
            if course.is_told and course.branch in (branch, "") and branch == "here":
                told = (course_words.title(course), *course_words.details(course))
                yield " ".join(map(self._text, told))

    def _fluids(self, branch: str, *, urgent: bool) -> Iterator[str]:
        for fluid in self._plan.fluids:
            if fluid.branch == branch and fluid.is_urgent is urgent:
                yield " ".join((f"{self._text(fluid_words.name(fluid))}:", *self._volumes(fluid)))

    def _order(self, order: Order) -> Iterator[str]:
        instead = ""
        if order.instead_of:
            other = order.instead_of.partition(".")[2]
            instead = self._title("hooks.instead", medicine=Message(f"medicine.{other}")) + " "
        words = Message(f"formulation.{order.dose.formulation.code}")
        given = {"formulation": words, "dosage": dosage(order), "due": due(order)}
        told = (contained(order), *order.instructions)
        yield " ".join((instead + self._title("hooks.order", **given), *map(self._text, told)))

    def _volumes(self, fluid: FluidOrder) -> Iterator[str]:
        yield from map(self._text, fluid_words.how_much(fluid))

    def _leaving(self) -> Iterator[Json]:
        """Suggestions of the card of now."""
        deck, plan = self._deck, self._plan
        if plan.emergency:
            acts = [deck.create(f"care.{e.key}", self._text(e.message)) for e in plan.emergency]
            yield deck.suggestion(self._title("hooks.suggest.emergency"), acts, recommended=True)
        if plan.referral is not None:
            acts = [deck.create("referral", self._title(referral_title(plan.referral)))]
            acts += self._actions("refer")
            doses = any(each.branch == "refer" for each in plan.orders)
            label = "hooks.suggest.refer-with-doses" if doses else "hooks.suggest.refer"
            wanted = plan.choice in ("refer", "refer-then-here")
            yield deck.suggestion(self._title(label), acts, recommended=wanted)
        if plan.assessment_referral is not None:
            acts = [
                deck.create(
                    "referral-for-assessment", self._title(referral_title(plan.assessment_referral))
                )
            ]
            yield deck.suggestion(self._title("hooks.suggest.assess"), acts, recommended=True)

    def _drafts(self) -> Iterator[Json]:
        """Suggestions of the treatment: the plan as it is, then each alternative in its place."""
        deck, plan = self._deck, self._plan
        acts = [*self._actions("here"), *self._beside()]
        if not acts:
            return
        doses = any(each.branch == "here" for each in self._due)
        if not doses:
            label = "hooks.suggest.care"
        elif plan.choice.startswith("refer"):
            label = "hooks.suggest.here-if-not-referred"
        else:
            label = "hooks.suggest.here"
        wanted = plan.choice in ("", "here")
        yield deck.suggestion(self._title(label), acts, recommended=wanted)
        for other in self._due:
            if other.instead_of and other.branch == "here":
                acts = [*self._actions("here", other), *self._beside()]
                yield deck.suggestion(self._alternative(other), acts)

    def _alternative(self, other: Order | FluidOrder) -> str:
        names = {each.key: self._named(each) for each in self._due}
        return self._title(
            "hooks.suggest.alternative",
            medicine=names[other.key],
            other=names[other.instead_of],
        )

    def _named(self, each: Order | FluidOrder) -> str:
        if isinstance(each, Order):
            return self._title(f"medicine.{each.dose.medicine.code}")
        return self._text(fluid_words.name(each))

    def _actions(self, branch: str, instead: Order | FluidOrder | None = None) -> Iterator[Json]:
        """Medicines, fluids and care of a branch; `instead`: with this one in place of another."""
        out = "" if instead is None else instead.instead_of
        for order in self._plan.orders:
            if order.branch == branch and _is_in(order, instead, out):
                name = self._title(f"formulation.{order.dose.formulation.code}")
                yield self._deck.create(f"order.{order.key}", name)
        for fluid in self._plan.fluids:
            if fluid.branch == branch and _is_in(fluid, instead, out):
                yield self._deck.create(f"fluid.{fluid.key}", self._named(fluid))
        for care in self._of(branch):
            yield self._deck.create(f"care.{care.key}", self._text(care.message))

    def _beside(self) -> Iterator[Json]:
        """Care of every branch, visits and advice."""
        for care in self._of(""):
            yield self._deck.create(f"care.{care.key}", self._text(care.message))
        for each in self._visits:
            yield self._deck.create(f"visit.{each.key}", self._text(visit(each)))
        if self._plan.counselling:
            yield self._deck.create("counselling", self._title("write.counselling"))


_FEW = 3


def _is_in(each: Order | FluidOrder, instead: Order | FluidOrder | None, out: str) -> bool:
    if each.instead_of:
        return each is instead
    return each.key != out
