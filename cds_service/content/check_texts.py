"""Checks of the English texts: every code has its words, and no text carries a number itself."""

import re
from collections.abc import Iterator

from cds_service.content.desk import COMPUTED, Desk
from cds_service.content.medicine import Formulation
from cds_service.content.model import EVIDENCE
from cds_service.content.template import literal, placeholders
from cds_service.content.treatment import CareItem, Protocol

# A digit that begins a word; those inside one (SHA-256, Patient/123) are names.
_TYPED = re.compile(r"(?<![A-Za-z][/-])(?<!\w)[\d½⅓¼¾]")


def texts(protocol: Protocol, desk: Desk) -> None:
    """Every check of the English texts."""
    written = dict(protocol.texts)
    for key, owner in _due(protocol):
        if key not in written:
            desk.report_at(owner, f"no text {key}; write it in translations/en.yaml")
    for key, text in protocol.texts:
        _plain(desk, key, text)
    for item in _care(protocol):
        given = {name for name, _ in item.values}
        for name in sorted(placeholders(written.get(f"care.{item.code}", "")) - given):
            desk.report_at(item, f"the text care.{item.code} names {{{name}}}; add it to values")


def _plain(desk: Desk, key: str, text: str) -> None:
    rest = literal(text)
    if "{" in rest or "}" in rest:
        desk.report_text(key, f"{key}: a placeholder is written {{name}}")
    if _TYPED.search(rest.replace("1", "") if key.endswith(".one") else rest):
        desk.report_text(key, f"{key} types a number; write a {{placeholder}} and give its value")


def _due(protocol: Protocol) -> Iterator[tuple[str, object]]:
    """Every text key that the content calls for, with the part that calls for it."""
    yield from ((f"sign.{sign.code}", sign) for sign in protocol.signs)
    yield from ((f"sign.{fact.code}", fact) for fact in protocol.derived)
    for measure in protocol.measures:
        yield f"measure.{measure.code}", measure
    yield from ((f"measure.{code}", protocol) for code in COMPUTED)
    yield from ((f"evidence.{mark}", protocol) for mark in EVIDENCE)
    for row in (row for table in protocol.tables for row in table.rows):
        yield f"class.{row.code}", row
    yield from ((f"care.{item.code}", item) for item in _care(protocol))
    yield from _due_in_plans(protocol)
    yield from _due_in_medicines(protocol)


def _due_in_plans(protocol: Protocol) -> Iterator[tuple[str, object]]:
    regimens = [regimen for plan in protocol.plans for regimen in plan.regimens]
    regimens.append(protocol.low_weight.regimen)
    for plan in protocol.plans:
        yield from ((f"caution.{item.code}", item) for item in plan.cautions)
    for regimen in regimens:
        yield from ((f"caution.{item.code}", item) for item in regimen.cautions)
        yield from ((f"visit.{visit.code}", visit) for visit in regimen.visits)


def _due_in_medicines(protocol: Protocol) -> Iterator[tuple[str, object]]:
    for medicine in protocol.medicines:
        yield f"medicine.{medicine.code}", medicine
        yield f"route.{medicine.route}", medicine
        if medicine.site:
            yield f"site.{medicine.site}", medicine
        yield from ((f"caution.{item.code}", item) for item in medicine.cautions)
        for band in (band for rule in medicine.rules for band in rule.bands):
            if band.caution:
                yield f"caution.{band.caution}", band
        for form in medicine.formulations:
            yield f"formulation.{form.code}", form
            yield f"form.{form.form}", form
            yield f"prepare.{_preparation(form)}", form


def _preparation(form: Formulation) -> str:
    if form.form != "injection":
        return form.form
    return "injection-ready" if form.dilute is None else "injection-thinned"


def _care(protocol: Protocol) -> Iterator[CareItem]:
    yield from (*protocol.emergency, *protocol.counselling)
    for plan in protocol.plans:
        yield from (*plan.care, *plan.referral_care)
