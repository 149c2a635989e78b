"""The files of one protocol, already read as trees -> one Protocol object."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import MappingProxyType

from cds_service.content import (
    parse_courses,
    parse_fluid,
    parse_medicine,
    parse_signs,
    parse_treatment,
)
from cds_service.content.catalogue import Catalogue
from cds_service.content.desk import Desk, Names
from cds_service.content.fields import Fields
from cds_service.content.model import Layer, Number, Source
from cds_service.content.syringe import Syringe
from cds_service.content.treatment import Protocol
from cds_service.content.tree import Node
from cds_service.content.weights import Growth, WeightLimits
from cds_service.quantity import convertible

FILES = ("protocol", "sources", "signs", "classifications", "treatments", "fluids", "growth")
"""The files that every protocol has, beside medicines/ and translations/."""

CAREGIVER = "translations/caregiver.yaml"
"""Says which texts are the caregiver's, and so are translated."""

Files = Mapping[str, Node]
"""Path below the protocol's folder -> what it says."""

_PROTOCOL = (
    "id version title status age-below visit-length course-gap values deviation-note "
    "deviation-high deviation-low order-high order-low weight-limits syringes"
)
_LIMITS = (
    "stale-young stale-young-until stale-older birth-weight-usable newborn-until newborn-loss "
    "newborn-gain z-high z-low weigh-again-from agree-within change-at-once gain-a-day"
)
_TREATMENTS = "emergency emergency-referral referral-care unfinished unfinished-referral plans "
_TREATMENTS += "low-weight counselling cautions courses"
_TIMES = ("h", "d")
_Triple = tuple[Number, Number, Number]
_NO = Node(None, "", 0)


def names(files: Files) -> Names:
    """Every name that may be referred to, gathered before the references are read."""
    signs = files["signs.yaml"].items()
    tables = files["classifications.yaml"].items().values()
    measures = _entries(signs, "measures")
    return Names(
        sources=frozenset(files["sources.yaml"].items()),
        signs=frozenset(_entries(signs, "findings")),
        derived=frozenset(_entries(signs, "derived")),
        measures={code: str(_entries(measures, code).get("unit", _NO).value) for code in measures},
        apart={code: _apart(_entries(measures, code)) for code in measures},
        repeated=frozenset(
            code for code in measures if "repeat-within" in _entries(measures, code)
        ),
        medicines=frozenset(
            path.removeprefix("medicines/").removesuffix(".yaml")
            for path in files
            if path.startswith("medicines/")
        ),
        fluids=frozenset(_entries(files["fluids.yaml"].items(), "fluids")),
        classes=frozenset(
            str(row.items()["class"].value)
            for table in tables
            for row in _rows(table)
            if "class" in row.items()
        ),
    )


def _apart(measure: Mapping[str, Node]) -> tuple[str, ...]:
    """The units of a measure in which a value is kept as it was sent."""
    named, unit = measure.get("units", _NO).value, str(measure.get("unit", _NO).value)
    units = [str(node.value) for node in named] if isinstance(named, tuple) else []
    return tuple(each for each in units if "molar-mass" in measure and not convertible(each, unit))


def protocol(
    files: Files,
    desk: Desk,
    digest: str,
    catalogues: Sequence[Catalogue] = (),
    over: Mapping[str, Layer] = MappingProxyType({}),
) -> Protocol:
    """Read every part; faults go to the desk. The catalogues are read already.

    `over` are the layers that were laid over the files, by kind.
    """
    edition, adaptation = over.get("edition"), over.get("adaptation")
    used = adaptation.languages if adaptation is not None else ()
    head = Fields(files["protocol.yaml"], desk, _PROTOCOL)
    signs = Fields(files["signs.yaml"], desk, "findings measures derived")
    treatments = Fields(files["treatments.yaml"], desk, _TREATMENTS)
    head.choice("status", ("draft", "active", "retired"))
    made = Protocol(
        id=head.text("id"),
        version=head.text("version"),
        title=head.text("title"),
        cite=head.cite,
        age_below=head.above_zero("age-below", "d"),
        visit_length=head.above_zero("visit-length", "h"),
        course_gap=head.above_zero("course-gap", "h"),
        values=head.numbers("values"),
        deviation_note=head.number("deviation-note", "%"),
        deviation_high=head.number("deviation-high", "%"),
        deviation_low=head.number("deviation-low", "%"),
        order_high=head.number("order-high", "%"),
        order_low=head.number("order-low", "%"),
        sources=_sources(files["sources.yaml"], desk),
        signs=parse_signs.signs(signs),
        measures=parse_signs.measures(signs),
        derived=parse_signs.derived(signs),
        tables=parse_signs.tables(files["classifications.yaml"], desk),
        emergency=parse_treatment.care(treatments, "emergency"),
        emergency_referral=treatments.inner("emergency-referral", "").cite,
        referral_care=parse_treatment.care(treatments, "referral-care"),
        unfinished=parse_treatment.care(treatments, "unfinished"),
        unfinished_referral=parse_treatment.care(treatments, "unfinished-referral"),
        plans=parse_treatment.plans(treatments),
        low_weight=parse_treatment.low_weight(treatments),
        weight_limits=_weight_limits(head),
        growth=_growth(files["growth.yaml"], desk),
        medicines=tuple(
            parse_medicine.medicine(files[path], desk)
            for path in sorted(files)
            if path.startswith("medicines/")
        ),
        fluids=parse_fluid.fluids(files["fluids.yaml"], desk),
        counselling=parse_treatment.care(treatments, "counselling"),
        cautions=parse_treatment.cautions(treatments),
        courses=parse_courses.courses(treatments),
        texts=_texts(files, desk),
        syringes=_syringes(head),
        digest=digest,
        caregiver=_caregiver(files, desk),
        catalogues=tuple(one for one in catalogues if not used or one.language in used),
        edition=edition,
        adaptation=adaptation,
    )
    return desk.keep(made, files["protocol.yaml"])


def _rows(table: Node) -> tuple[Node, ...]:
    rows = table.items().get("rows", _NO).value
    return rows if isinstance(rows, tuple) else ()


def _entries(items: Mapping[str, Node], key: str) -> dict[str, Node]:
    return items.get(key, _NO).items()


def _sources(root: Node, desk: Desk) -> tuple[Source, ...]:
    keys = "title publisher year url locator"
    Fields(root, desk, " ".join(root.items()))
    parts = {key: Fields(node, desk, keys) for key, node in root.items().items()}
    return tuple(
        Source(
            key=key,
            title=part.text("title"),
            publisher=part.text("publisher"),
            year=part.whole("year") if part.has("year") else None,
            url=part.text("url", ""),
            locator=part.text("locator", ""),
        )
        for key, part in parts.items()
    )


def _weight_limits(head: Fields) -> WeightLimits:
    fields = head.inner("weight-limits", _LIMITS)
    return WeightLimits(
        cite=fields.cite,
        stale_young=fields.number("stale-young", *_TIMES),
        stale_young_until=fields.number("stale-young-until", "d"),
        stale_older=fields.number("stale-older", *_TIMES),
        birth_weight_usable=fields.number("birth-weight-usable", *_TIMES),
        newborn_until=fields.number("newborn-until", "d"),
        newborn_loss=fields.number("newborn-loss", "%"),
        newborn_gain=fields.number("newborn-gain", "%"),
        z_high=fields.number("z-high", "{z}"),
        z_low=fields.number("z-low", "{z}"),
        weigh_again_from=fields.number("weigh-again-from", "kg"),
        agree_within=fields.number("agree-within", "%"),
        change_at_once=fields.above_zero("change-at-once", "%"),
        gain_a_day=fields.above_zero("gain-a-day", "kg"),
    )


def _syringes(head: Fields) -> tuple[Syringe, ...]:
    return tuple(
        Syringe(
            cite=part.cite,
            holds=part.above_zero("holds", "mL"),
            marks=part.above_zero("marks", "mL"),
            numbers=part.above_zero("numbers", "mL"),
        )
        for part in head.each("syringes", "holds marks numbers")
    )


def _growth(root: Node, desk: Desk) -> Growth:
    file = Fields(root, desk, "weight-for-age")
    fields = file.inner("weight-for-age", "male female")
    return desk.keep(Growth(file.cite, _lms(fields, "male"), _lms(fields, "female")), root)


def _lms(fields: Fields, sex: str) -> tuple[_Triple, ...]:
    days = fields.at(sex).value
    return tuple(_triple(day, fields) for day in days) if isinstance(days, tuple) else ()


def _triple(node: Node, fields: Fields) -> _Triple:
    values = node.value if isinstance(node.value, tuple) else ()
    numbers = [Decimal(one.value) for one in values if isinstance(one.value, (int, Decimal))]
    if len(numbers) != 3 or numbers[1] <= 0 or numbers[2] <= 0:
        fields.desk.report(node, "a day is [L, M, S]: three numbers, M (kg) and S above zero")
        numbers = [Decimal(1)] * 3
    power, median, spread = numbers
    cite = fields.cite
    return (Number(power, "1", cite), Number(median, "kg", cite), Number(spread, "1", cite))


def _texts(files: Files, desk: Desk) -> tuple[tuple[str, str], ...]:
    found: dict[str, str] = {}
    for path in sorted(files):
        if not path.startswith("translations/") or path == CAREGIVER:
            continue
        fields = Fields(files[path], desk, " ".join(files[path].items()))
        for key in files[path].items():
            if key in found:
                fields.fault(key, f"the text {key} is written in another file too; keep one")
            found[key] = fields.text(key)
            desk.texts[key] = files[path].items()[key]
    return tuple(sorted(found.items()))


def _caregiver(files: Files, desk: Desk) -> tuple[str, ...]:
    if CAREGIVER not in files:
        return ()
    return Fields(files[CAREGIVER], desk, "texts").words("texts")
