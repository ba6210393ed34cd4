"""The rows of the tables as frozen records, and how each column of their files is read."""

from __future__ import annotations

from dataclasses import dataclass

from identify.tables.reader import Column, number, one_of, positive, ranges, text, whole, word_lists, words, yes_no

EVIDENCE = (
    "standard",
    "official",
    "handbook",
    "public page",
    "common practice",
    "from memory",
    "computed",
)
EVERY_CLASS = ("*",)

_ID = Column(text)
_NOTE = Column(text, "")
_SIZE = Column(positive, None)
_ORIGIN = {
    "source": Column(text),
    "evidence": Column(one_of(*EVIDENCE)),
    "confidence": Column(one_of("H", "M", "L")),
}


@dataclass(frozen=True, slots=True)
class Source:
    """A publication, or an honest statement that there is none; ``seen`` says what was read of it."""

    id: str
    title: str
    edition: str
    kind: str
    seen: str


SOURCES = {
    "id": _ID,
    "title": Column(text),
    "edition": Column(text),
    "kind": Column(one_of(*EVIDENCE)),
    "seen": Column(text),
}


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """A coin, card, ruler or sheet that gives a photo its scale.

    Parameters
    ----------
    kind : coin, card, ruler or sheet.
    shape : round, cw7 or cw11 (curve of constant width), poly12, notched; empty for what is no coin.
    diameter_mm : official figure, as callipers read it [mm]; None for what is no coin.
    fit_mm : diameter of the circle that an ellipse fit of the whole rim finds, where it differs [mm].
    width_mm, height_mm : sides of a card or sheet, the long one first on a card [mm].
    thickness_mm : None where no figure is known [mm].
    ringed : two metals: a detector may lock to the inner core.
    use : A good, B usable with the note, X do not use.
    u_mm : standard uncertainty of the size with wear [mm].
    """

    id: str
    currency: str
    country: str
    name: str
    kind: str
    shape: str
    diameter_mm: float | None
    fit_mm: float | None
    width_mm: float | None
    height_mm: float | None
    thickness_mm: float | None
    ringed: bool
    use: str
    u_mm: float
    note: str
    source: str
    evidence: str
    confidence: str

    @property
    def rim_mm(self) -> float | None:
        """Diameter to give an ellipse that was fitted to the whole rim [mm]."""
        return self.fit_mm or self.diameter_mm


REFERENCES = {
    "id": _ID,
    "currency": _NOTE,
    "country": _NOTE,
    "name": Column(text),
    "kind": Column(one_of("coin", "card", "ruler", "sheet")),
    "shape": Column(one_of("round", "cw7", "cw11", "poly12", "notched"), ""),
    "diameter_mm": _SIZE,
    "fit_mm": _SIZE,
    "width_mm": _SIZE,
    "height_mm": _SIZE,
    "thickness_mm": _SIZE,
    "ringed": Column(yes_no),
    "use": Column(one_of("A", "B", "X")),
    "u_mm": Column(positive),
    "note": _NOTE,
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Thread:
    """A thread: basic sizes, and the limits of its outer diameter and of its bore where known [mm].

    Of a taper thread the limits are those between the gauge plane and the small end of the gauge length.
    """

    id: str
    series: str
    form: str
    taper: bool
    major_mm: float
    pitch_mm: float
    tpi: int | None
    pitch_diameter_mm: float | None
    minor_mm: float | None
    od_min_mm: float | None
    od_max_mm: float | None
    bore_min_mm: float | None
    bore_max_mm: float | None
    gauge_length_mm: float | None
    use: str
    use_source: str
    use_confidence: str
    source: str
    evidence: str
    confidence: str

    @property
    def ranges(self) -> dict[str, tuple[float, float]]:
        """What an unworn male thread of this size measures: quantity to (least, most) [mm]."""
        low = self.major_mm if self.od_min_mm is None else self.od_min_mm
        high = self.major_mm if self.od_max_mm is None else self.od_max_mm
        return {"thread_major_diameter": (low, high), "thread_pitch": (self.pitch_mm, self.pitch_mm)}


THREADS = {
    "id": _ID,
    "series": Column(text),
    "form": Column(text),
    "taper": Column(yes_no),
    "major_mm": Column(positive),
    "pitch_mm": Column(positive),
    "tpi": Column(whole, None),
    "pitch_diameter_mm": _SIZE,
    "minor_mm": _SIZE,
    "od_min_mm": _SIZE,
    "od_max_mm": _SIZE,
    "bore_min_mm": _SIZE,
    "bore_max_mm": _SIZE,
    "gauge_length_mm": _SIZE,
    "use": _NOTE,
    "use_source": _NOTE,
    "use_confidence": Column(one_of("H", "M", "L"), ""),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity that may be measured: where any part's value may lie, and how far wear takes from it.

    ``wear`` is a standard deviation below the least size of an unworn part, in the unit of the quantity.
    """

    id: str
    name: str
    unit: str
    low: float
    high: float
    wear: float
    reason: str


QUANTITIES = {
    "id": _ID,
    "name": Column(text),
    "unit": Column(one_of("mm", "1")),
    "low": Column(number),
    "high": Column(number),
    "wear": Column(number, 0.0),
    "reason": Column(text),
}


@dataclass(frozen=True, slots=True)
class FittingClass:
    """What the classifier can say, and what is worth knowing of it.

    Parameters
    ----------
    part : False where no fitting is in view.
    turned : False where the body is not round about the part's long axis, so that its width shows no diameter.
    narrow_foot : True where what the part stands on, and its lower edge, are never wider than its rim.
    height_mm, u_height_mm : height of the measured rim when the part stands on end, and its standard uncertainty [mm].
    foot_mm, u_foot_mm : how high the body's lower edge is then, on pegs or a step, and its standard uncertainty [mm].
    step_mm, u_step_mm : by how much that is narrower than the rim all round, none where not given, and the same.
    rest_mm, u_rest_mm : the same of what the body stands on.
    varieties : second answers, each with its closed list.
    """

    id: str
    name: str
    description: str
    part: bool
    turned: bool
    narrow_foot: bool
    quantities: tuple[str, ...]
    main_quantity: str
    views: tuple[str, ...]
    height_mm: float | None
    u_height_mm: float | None
    foot_mm: float | None
    u_foot_mm: float | None
    step_mm: float | None
    u_step_mm: float | None
    rest_mm: float | None
    u_rest_mm: float | None
    look_alikes: tuple[str, ...]
    cautions: tuple[str, ...]
    varieties: dict[str, tuple[str, ...]]
    source: str
    evidence: str
    confidence: str


CLASSES = {
    "id": _ID,
    "name": Column(text),
    "description": Column(text),
    "part": Column(yes_no),
    "turned": Column(yes_no, True),
    "narrow_foot": Column(yes_no, False),
    "quantities": Column(words),
    "main_quantity": _NOTE,
    "views": Column(words),
    "height_mm": _SIZE,
    "u_height_mm": _SIZE,
    "foot_mm": _SIZE,
    "u_foot_mm": _SIZE,
    "step_mm": _SIZE,
    "u_step_mm": _SIZE,
    "rest_mm": _SIZE,
    "u_rest_mm": _SIZE,
    "look_alikes": Column(words),
    "cautions": Column(words),
    "varieties": Column(word_lists),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class CandidateRow:
    """One row of replacement dimensions.

    Parameters
    ----------
    prior : weight among the rows of its class.
    attributes : what this row is, such as base: flat.
    options : what the order needs besides and the row leaves open: name to its possible answers.
    thread : row of the threads, or empty.
    ranges : quantity to (least, most) of an unworn part.
    """

    id: str
    class_id: str
    description: str
    prior: float
    attributes: dict[str, tuple[str, ...]]
    options: dict[str, tuple[str, ...]]
    thread: str
    ranges: dict[str, tuple[float, float]]
    source: str
    evidence: str
    confidence: str


CANDIDATES = {
    "id": _ID,
    "class_id": Column(text),
    "description": Column(text),
    "prior": Column(positive),
    "attributes": Column(word_lists, {}),
    "options": Column(word_lists, {}),
    "thread": _NOTE,
    "ranges": Column(ranges, {}),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Confusable:
    """Two sizes that one photo may not tell apart, and what separates them [mm]."""

    id: str
    quantity: str
    first: str
    first_mm: float
    first_pitch_mm: float | None
    second: str
    second_mm: float
    second_pitch_mm: float | None
    separated_by: str
    check: str
    source: str
    evidence: str
    confidence: str


CONFUSABLES = {
    "id": _ID,
    "quantity": Column(text),
    "first": Column(text),
    "first_mm": Column(positive),
    "first_pitch_mm": _SIZE,
    "second": Column(text),
    "second_mm": Column(positive),
    "second_pitch_mm": _SIZE,
    "separated_by": Column(text),
    "check": Column(text),
    **_ORIGIN,
}
