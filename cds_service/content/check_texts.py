"""Checks of the English texts: every code has its words, and no text carries a number itself."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from cds_service.content.care import CareItem
from cds_service.content.desk import COMPUTED, Desk
from cds_service.content.fluid import Fluid
from cds_service.content.medicine import Formulation, Medicine
from cds_service.content.model import EVIDENCE
from cds_service.content.plans import PlanCaution, Regimen
from cds_service.content.template import literal, placeholders
from cds_service.content.treatment import Protocol

# A digit that begins a word; those inside one (SHA-256, Patient/123) are names.
_TYPED = re.compile(r"(?<![A-Za-z][/-])(?<!\w)[\d½⅓¼¾]")


@dataclass(frozen=True, slots=True)
class _Due:
    """A text that the content calls for: by which part, and which placeholders are filled."""

    key: str
    owner: object
    filled: frozenset[str] = frozenset()


def texts(protocol: Protocol, desk: Desk) -> None:
    """Every check of the English texts."""
    written = dict(protocol.texts)
    for key, text in protocol.texts:
        _plain(desk, key, text)
    for due in _due(protocol):
        if due.key not in written:
            desk.report_at(due.owner, f"no text {due.key}; write it in translations/en.yaml")
        for name in sorted(placeholders(written.get(due.key, "")) - due.filled):
            desk.report_at(due.owner, f"the text {due.key} names {{{name}}}, which has no value")


def _plain(desk: Desk, key: str, text: str) -> None:
    rest = literal(text)
    if "{" in rest or "}" in rest:
        desk.report_text(key, f"{key}: a placeholder is written {{name}}")
    if _TYPED.search(rest.replace("1", "") if key.endswith(".one") else rest):
        desk.report_text(key, f"{key} types a number; write a {{placeholder}} and give its value")


def _due(protocol: Protocol) -> Iterator[_Due]:
    yield from (_Due(f"sign.{sign.code}", sign) for sign in protocol.signs)
    yield from (_Due(f"sign.{fact.code}", fact) for fact in protocol.derived)
    yield from (_Due(f"measure.{measure.code}", measure) for measure in protocol.measures)
    yield from (_Due(f"measure.{code}", protocol) for code in COMPUTED)
    yield from (_Due(f"evidence.{mark}", protocol) for mark in EVIDENCE)
    for row in protocol.row_by_code.values():
        yield _Due(f"class.{row.code}", row)
    yield from map(
        _care,
        (
            *protocol.emergency,
            *protocol.referral_care,
            *protocol.unfinished,
            *protocol.unfinished_referral,
            *protocol.counselling,
        ),
    )
    for plan in protocol.plans:
        yield from map(_care, plan.care)
        for caution in plan.cautions:
            yield from _caution(caution)
        for regimen in plan.regimens:
            yield from _regimen(regimen)
    for each in (*protocol.cautions, *protocol.low_weight.cautions):
        yield from _caution(each)
    yield from map(_care, protocol.low_weight.care)
    yield from _regimen(protocol.low_weight.regimen)
    for fluid in protocol.fluids.every:
        yield from _fluid(fluid)
    for medicine in protocol.medicines:
        yield from _medicine(medicine)
        for form in medicine.formulations:
            yield from _formulation(form, {name for name, _ in protocol.values})


def _fluid(fluid: Fluid) -> Iterator[_Due]:
    yield _Due(f"product.{fluid.product}", fluid)
    yield _Due(f"fluid.{fluid.code}", fluid, frozenset(name for name, _ in fluid.values))
    routes = {fluid.route, "tube"} if fluid.tube_when is not None else {fluid.route}
    for route in sorted(routes):
        yield _Due(f"route.{route}", fluid)
        yield _Due(f"give-fluid.{route}", fluid)


def _care(item: CareItem) -> _Due:
    return _Due(f"care.{item.code}", item, frozenset(name for name, _ in item.values))


def _caution(item: PlanCaution) -> Iterator[_Due]:
    filled = {name for name, _ in item.values}
    filled |= {"injections"} if item.injections == "here" else set()
    if item.due_after is None:
        yield _Due(f"caution.{item.code}", item, frozenset(filled))
        return
    for kind in ("caution", "today", "past"):
        yield _Due(f"{kind}.{item.code}", item, frozenset(filled | {"date", "after"}))


def _regimen(regimen: Regimen) -> Iterator[_Due]:
    for caution in regimen.cautions:
        yield from _caution(caution)
    yield from (
        _Due(f"visit.{visit.code}", visit, frozenset({"class"})) for visit in regimen.visits
    )


def _medicine(medicine: Medicine) -> Iterator[_Due]:
    yield _Due(f"medicine.{medicine.code}", medicine)
    yield _Due(f"route.{medicine.route}", medicine)
    if medicine.site:
        yield _Due(f"site.{medicine.site}", medicine)
    for item in medicine.cautions:
        filled = frozenset({"medicine", "limit", *(name for name, _ in item.values)})
        for code in filter(None, (item.code, item.after_first)):
            yield _Due(f"caution.{code}", item, filled)
    for each in medicine.before_next:
        yield _Due(f"course.held.no-dose-{each.code}", each, frozenset({"medicine"}))
    for each in (*medicine.contraindications, *medicine.before_next):
        filled = frozenset({"medicine", *(name for name, _ in each.values)})
        filled |= {"due"} if each.waits else set()
        yield _Due(f"no-dose.{each.code}", each, filled)
    yield _Due(f"no-dose.{medicine.if_open}", medicine, frozenset({"medicine"}))
    for rule in medicine.rules:
        if not rule.bands:
            yield _Due(f"rule.{medicine.code}.{rule.code}", rule)
    for band in (band for rule in medicine.rules for band in rule.bands):
        if band.caution:
            yield _Due(f"caution.{band.caution}", band, frozenset({"medicine"}))


def _formulation(form: Formulation, named: set[str]) -> Iterator[_Due]:
    yield _Due(f"formulation.{form.code}", form, frozenset({"strength"}))
    yield _Due(f"form.{form.form}", form)
    for code in filter(None, (form.counted, *(part.code for part in form.beside))):
        yield _Due(f"substance.{code}", form)
    if form.form != "injection":
        kind = form.form
    else:
        kind = "injection-ready" if form.dilute is None else "injection-thinned"
    filled = named | {"amount", "strength", "label"}
    filled |= {"water"} if form.dilute is not None else set()
    filled |= {"keeps"} if form.shelf_life is not None else set()
    for part in ("-whole", "-part") if form.pack == "{tbl}" else ("",):
        yield _Due(f"prepare.{kind}{part}", form, frozenset(filled))
