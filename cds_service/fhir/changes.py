"""What differs between two answers to one request, in words, the worst first.

The order is that of the harm which follows when the old answer was right and the new one is
followed. First what may cost a life within hours: no answer, no referral, no emergency action, no
antibiotic. Then a dose that is too high, before one that is too low, since a toxic dose cannot be
taken back and a low one can be mended at the next visit. Then other treatment, the class itself (a
name alone harms nobody; what follows from it is listed above it), warnings and visits. Last what
is more than before: it costs a journey or a medicine, seldom a life.
"""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from enum import IntEnum
from typing import NamedTuple

import orjson

from cds_service.fhir.gist import HERE, REFER, Dose, Gist, Order, gist

_CARDS = b'{"cards":'
_WHERE = {REFER: " before referral", HERE: ""}


class Kind(IntEnum):
    """Kinds of change, the worst first."""

    REFUSED = 0
    REFERRAL_LOST = 1
    EMERGENCY_LOST = 2
    ANTIBIOTIC_LOST = 3
    REFERRAL_A_CHOICE = 4
    DOSE_HIGHER = 5
    DOSE_LOWER = 6
    MEDICINE_LOST = 7
    CLASS = 8
    CAUTION_LOST = 9
    VISIT_LATER = 10
    REFERRAL_NEW = 11
    MEDICINE_NEW = 12
    MEDICINE_OTHER = 13
    CAUTION = 14
    ASKED = 15
    TOLD = 16

    @property
    def words(self) -> str:
        """What kind it is, for a report."""
        return _KINDS[self]


_KINDS = {
    Kind.REFUSED: "no recommendation any more: the request is refused",
    Kind.REFERRAL_LOST: "urgent referral no longer proposed",
    Kind.EMERGENCY_LOST: "an emergency action less",
    Kind.ANTIBIOTIC_LOST: "an antibiotic less",
    Kind.REFERRAL_A_CHOICE: "referral, the only course before, is one of two",
    Kind.DOSE_HIGHER: "a higher dose, or a longer course",
    Kind.DOSE_LOWER: "a lower dose, or a shorter course",
    Kind.MEDICINE_LOST: "a medicine or fluid less",
    Kind.CLASS: "another class",
    Kind.CAUTION_LOST: "a caution of high severity less",
    Kind.VISIT_LATER: "a visit less, or later",
    Kind.REFERRAL_NEW: "referral proposed that was not, or as the only course",
    Kind.MEDICINE_NEW: "a medicine, fluid or emergency action more",
    Kind.MEDICINE_OTHER: "another form, or a medicine or fluid in other words",
    Kind.CAUTION: "other cautions or visits",
    Kind.ASKED: "another status, or something else to find out",
    Kind.TOLD: "other care, or other words to the caregiver",
}


class Change(NamedTuple):
    """One difference; sorted, the worst comes first."""

    kind: Kind
    less: float
    """Larger is less bad within its kind: the negative ratio of two doses."""
    words: str
    what: str = ""
    """The medicine or fluid that it is about."""


def changes(old: Gist, new: Gist) -> tuple[Change, ...]:
    """All that differs, the worst first; nothing when both answers say the same."""
    if old == new:
        return ()
    found = (
        *_referral(old, new),
        *_emergency(old, new),
        *_orders(old, new),
        *_classes(old, new),
        *_cautions(old, new),
        *_visits(old, new),
        *_words(old, new),
    )
    return tuple(sorted(found))


def care_differences(then: bytes, now: bytes) -> tuple[str, ...]:
    """What differs for care between two answers, the worst first, or that nothing does.

    >>> care_differences(b'{"entry":[]}', b'{"entry": []}')
    ('No class, referral, medicine, dose, caution, visit or advice differs.',)
    """
    try:
        on_cards = then.startswith(_CARDS) and now.startswith(_CARDS)
        found = card_changes(then, now) if on_cards else changes(gist(then), gist(now))
    except ValueError:
        return ("What differs for care cannot be said: one is no answer of this service.",)
    words = tuple(f"{change.kind.words}: {change.words}" for change in found)
    return words or ("No class, referral, medicine, dose, caution, visit or advice differs.",)


def refused(reason: str) -> tuple[Change, ...]:
    """The change when there is no new answer at all."""
    return (Change(Kind.REFUSED, 0, f"refused: {reason}"),)


def card_changes(then: bytes, now: bytes) -> tuple[Change, ...]:
    """Which cards of CDS Hooks say something else; how grave that is, somebody has to read.

    Ids do not matter: another content gives others.
    """
    old, new = map(_said_on_cards, (then, now))
    differing = [topic for topic in dict.fromkeys((*old, *new)) if old.get(topic) != new.get(topic)]
    return tuple(Change(Kind.CLASS, 0, f"cards differ: {topic}") for topic in differing)


def _said_on_cards(answer: bytes) -> dict[str, list[tuple[str, str, str]]]:
    """What stands on the cards, by topic."""
    said: dict[str, list[tuple[str, str, str]]] = {}
    for card in orjson.loads(answer)["cards"]:
        told = card["indicator"], card["summary"], card["detail"]
        said.setdefault(card["source"]["topic"]["code"], []).append(told)
    return said


def class_move(old: Gist, new: Gist) -> str:
    """From which classes to which, only those that differ; "" when none do."""
    gone = [name for code, name in old.classes.items() if code not in new.classes]
    come = [name for code, name in new.classes.items() if code not in old.classes]
    if not gone and not come:
        return ""
    return f"{', '.join(gone) or 'no class'} -> {', '.join(come) or 'no class'}"


def _change(kind: Kind, words: str, less: float = 0, what: str = "") -> Change:
    return Change(kind, less, words, what)


def _referral(old: Gist, new: Gist) -> Iterator[Change]:
    was, now = old.referral, new.referral
    if was == now:
        return
    if was is not None and was.urgent and (now is None or not now.urgent):
        yield _change(Kind.REFERRAL_LOST, "urgent referral is no longer proposed")
    elif was is not None and now is not None and was.only and not now.only:
        yield _change(Kind.REFERRAL_A_CHOICE, "referral is one of two courses, it was the only one")
    elif now is None:
        yield _change(Kind.VISIT_LATER, "referral that was not urgent is no longer proposed")
    else:
        urgent, only = "urgent " * now.urgent, ", as the only course" * now.only
        yield _change(Kind.REFERRAL_NEW, f"{urgent}referral is proposed{only}")


def _emergency(old: Gist, new: Gist) -> Iterator[Change]:
    for code, words in old.emergency.items():
        if code not in new.emergency:
            yield _change(Kind.EMERGENCY_LOST, f"emergency action less: {words}")
        elif new.emergency[code] != words:
            yield _change(Kind.TOLD, f"emergency action in other words: {new.emergency[code]}")
    for code, words in new.emergency.items():
        if code not in old.emergency:
            yield _change(Kind.MEDICINE_NEW, f"emergency action more: {words}")


def _orders(old: Gist, new: Gist) -> Iterator[Change]:
    before, after = _by_place(old.orders), _by_place(new.orders)
    for place in dict.fromkeys((*before, *after)):
        was, now = before.get(place, []), after.get(place, [])
        gone = [order for order in was if order not in now]
        come = [order for order in now if order not in was]
        where = _WHERE[place[0]]
        for one, two in zip(gone, come, strict=False):
            yield _other(one, two, where)
        for order in gone[len(come) :]:
            words = f"{order.name}{where} less: {_amount(order)}"
            yield _change(_lost(order, old, new), words, what=order.name)
        for order in come[len(gone) :]:
            words = f"{order.name}{where} more: {_amount(order)}"
            yield _change(Kind.MEDICINE_NEW, words, what=order.name)


def _lost(order: Order, old: Gist, new: Gist) -> Kind:
    """How bad it is that this order is gone."""
    if order.antibiotic and _antibiotics(old, None) and not _antibiotics(new, None):
        return Kind.ANTIBIOTIC_LOST
    if not _there(order.branch, new):
        return Kind.MEDICINE_OTHER  # that course itself is not proposed any more
    if order.antibiotic and _antibiotics(new, order.branch) < _antibiotics(old, order.branch):
        return Kind.ANTIBIOTIC_LOST
    return Kind.MEDICINE_LOST


def _there(branch: str, answer: Gist) -> bool:
    """Whether the course is proposed at all, with or without medicines."""
    if branch == REFER:
        return answer.referral is not None
    treated = any(order.branch == HERE for order in answer.orders)
    return treated or answer.referral is None or not answer.referral.only


def _antibiotics(answer: Gist, branch: str | None) -> int:
    """How many, in one branch or in all."""
    return len(
        {
            order.substance
            for order in answer.orders
            if order.antibiotic and branch in (None, order.branch)
        }
    )


def _by_place(orders: Iterable[Order]) -> dict[tuple[str, str], list[Order]]:
    found: dict[tuple[str, str], list[Order]] = {}
    for order in orders:
        found.setdefault((order.branch, order.substance), []).append(order)
    return found


def _amount(order: Order) -> str:
    return f"{order.form}, {order.dose}" if order.dose else " ".join(order.words)


def _other(old: Order, new: Order, where: str) -> Change:
    """One order in the place of another of the same substance."""
    was, now = old.dose, new.dose
    words = f"{old.name}{where}: {_amount(old)} -> {_amount(new)}"
    if was is None or now is None or was.unit != now.unit:
        return _change(Kind.MEDICINE_OTHER, words, what=old.name)
    ratio = _ratio(was, now)
    if ratio > 1:
        return _change(Kind.DOSE_HIGHER, words, -ratio, old.name)
    if ratio < 1:
        return _change(Kind.DOSE_LOWER, words, ratio, old.name)
    return _change(Kind.MEDICINE_OTHER, words, what=old.name)


def _ratio(was: Dose, now: Dose) -> float:
    """How many times the old: of one dose, else of a day, else of the whole course."""
    for one, two in (
        (was.contained, now.contained),
        (was.daily, now.daily),
        (was.days or Decimal(1), now.days or Decimal(1)),
    ):
        if one != two:
            return float(two / one) if one else float("inf")
    return 1.0


def _classes(old: Gist, new: Gist) -> Iterator[Change]:
    if move := class_move(old, new):
        yield _change(Kind.CLASS, move)
    elif old.classes != new.classes:
        yield _change(Kind.TOLD, "a class has another name, or another place")


def _cautions(old: Gist, new: Gist) -> Iterator[Change]:
    was = {caution.code: caution.severity for caution in old.cautions}
    now = {caution.code: caution.severity for caution in new.cautions}
    for code, severity in was.items():
        if severity == "high" and now.get(code) != "high":
            yield _change(Kind.CAUTION_LOST, f"caution of high severity less: {code}")
        elif code not in now:
            yield _change(Kind.CAUTION, f"caution less: {code}")
    yield from (_change(Kind.CAUTION, f"caution more: {code}") for code in now if code not in was)
    if was == now and old.cautions != new.cautions:
        yield _change(Kind.CAUTION, "a caution in other words")


def _visits(old: Gist, new: Gist) -> Iterator[Change]:
    if old.visits == new.visits:
        return
    was, now = ([day for day, _ in visits if day] for visits in (old.visits, new.visits))
    told = f"visits on {', '.join(was) or 'no day'} -> {', '.join(now) or 'no day'}"
    if was == now:
        yield _change(Kind.CAUTION, "a visit in other words")
    elif len(now) < len(was) or (was and min(now) > min(was)):
        yield _change(Kind.VISIT_LATER, told)
    else:
        yield _change(Kind.CAUTION, told)


def _words(old: Gist, new: Gist) -> Iterator[Change]:
    if old.status != new.status:
        yield _change(Kind.ASKED, f"status {old.status} -> {new.status}")
    if old.needed != new.needed:
        yield _change(Kind.ASKED, f"to find out: {_apart(old.needed, new.needed)}")
    if old.care != new.care:
        yield _change(Kind.TOLD, f"care: {_apart(old.care, new.care)}")
    if old.told != new.told:
        yield _change(Kind.TOLD, "other words to the caregiver, or in the summary")


def _apart(old: tuple[str, ...], new: tuple[str, ...]) -> str:
    less = [f"less: {each}" for each in old if each not in new]
    more = [f"more: {each}" for each in new if each not in old]
    return "; ".join((*less, *more)) or "the same in another order"
