"""What stands on a label or a leaflet: words, numbers and drawings, ready to be set.

Nothing here is set yet, and nothing is markup: every text is data to the typesetter.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing as SVG, what it shows in words, and what is written under it."""

    svg: str
    alt: str
    caption: str = ""


@dataclass(frozen=True, slots=True)
class At:
    """The time at which a dose is due ("09:30"), and the drawing beside it."""

    time: str
    icon: str


@dataclass(frozen=True, slots=True)
class Day:
    """A day of the course, in words and in figures, and its doses."""

    name: str
    short: str
    times: tuple[At, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One medicine: what it is, how much each time, how often, how to give it, every dose."""

    name: str
    also: str
    """The same in English, for the health worker ("" when it is English)."""
    notes: tuple[str, ...]
    """What limits it: only in this branch, only one of two, given by a health worker."""
    figure: str
    """How much, as a number: "2.5 mL", "1½"."""
    amount: str
    """How much, in words."""
    how: tuple[str, ...]
    """Route, how often and for how long."""
    pictures: tuple[Picture, ...]
    days: tuple[Day, ...]
    steps: tuple[str, ...]
    """How it is prepared, given and finished, in the order in which it is done."""
    discard: str
    """When what is left of the made-up bottle is thrown away; "" when that is not known."""
    liquid: bool
    """Whether it is measured in a syringe."""
    at_home: bool
    """Whether the caregiver gives it; else a health worker does."""
    icons: tuple[str, ...]
    """How it is prepared and where it is given, as drawings."""


@dataclass(frozen=True, slots=True)
class Head:
    """Whom it is for and who made it. "" of `infant` and `clinic` is a line to write on."""

    title: str
    infant: str
    infant_caption: str
    clinic: str
    clinic_caption: str
    checked_caption: str
    made: str
    weight: str
    warnings: tuple[str, ...]
    """What is to be known first: not complete, go to the hospital."""
    foot: tuple[str, ...]
    """That it is a proposal; that the translation is a draft."""
    foot_english: str
    """The same in English, beside another language: whoever checks it may read only one."""
    trace: str
    """By which the answer is found in the log."""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the leaflet: its heading and its sentences."""

    heading: str
    lines: tuple[str, ...]
    loud: bool = False
    """Whether it stands in a frame."""


@dataclass(frozen=True, slots=True)
class Page:
    """A label (items alone) or a leaflet (sections too), for one language."""

    kind: str
    """ "label" or "leaflet"."""
    language: str
    runs_left: bool
    head: Head
    medicines: str
    """The heading of the items."""
    each_time: str
    tick: str
    items: tuple[Item, ...]
    sections: tuple[Section, ...] = ()
