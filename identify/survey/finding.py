"""What is found on one photo, whatever its name and place: the record that is kept so that no photo is done twice."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from identify import __version__, classifier, glance, retake, tables
from identify.errors import PhotoError
from identify.model import NotMeasured, Recognition
from identify.photo import MAX_BYTES
from identify.survey import archive, likeness, store
from identify.survey.site import Shot

CALLED = "The photo"  # in a record, which may stand for several files
FORM = 3  # to be raised where the same photo gives another finding
UNSCALED = "Nothing was measured. Take callipers, or name what lies beside the part with --scale."


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer for one photo's bytes.

    Parameters
    ----------
    sha256 : of the file.
    answer, probability : class id, or unsure; the best class's probability.
    likely : the most probable class that is a part or none, also where the answer is unsure.
    prediction_set : class ids that are not ruled out.
    varieties : (name, answer, probability) each.
    measured : one text each quantity.
    advice : what would tell more.
    likeness : 16 hexadecimal digits, see :mod:`identify.survey.likeness`.
    traits : 64 hexadecimal digits, see there; empty where they are not known.
    """

    sha256: str
    answer: str
    likely: str
    probability: float
    prediction_set: tuple[str, ...]
    view: str
    varieties: tuple[tuple[str, str, float], ...]
    measured: tuple[str, ...]
    advice: tuple[str, ...]
    likeness: str
    traits: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return asdict(self)

    @classmethod
    def from_json(cls, told: dict[str, Any]) -> Finding:
        """The record that :meth:`as_json` wrote; KeyError, TypeError or ValueError where it is another thing."""
        lists = {name: tuple(told[name]) for name in ("prediction_set", "measured", "advice")}
        varieties = tuple((str(name), str(answer), float(p)) for name, answer, p in told["varieties"])
        return cls(**{**told, **lists, "varieties": varieties})


def recipe(scale: str | None) -> str:
    """What besides the photo decides a finding: program and form of the record, model, tables, scale."""
    return " ".join(
        (f"{__version__}/{FORM}", classifier.shipped_card().sha256[:16], tables.version(), scale or "unscaled")
    )


def read(shot: Shot) -> bytes:
    """The photo's bytes, no more than one over the limit.

    Raises
    ------
    PhotoError
        It can't be read.
    """
    if shot.entry:
        return archive.read(shot.path, shot.entry, MAX_BYTES + 1)
    if store.is_url(shot.path):
        with store.opened(shot.path) as file:
            return file.read(MAX_BYTES + 1)
    path = Path(shot.path)
    if not path.is_file():
        raise PhotoError("The photo is no longer there, or is no ordinary file; run the survey again.")
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except OSError as why:
        raise PhotoError(f"The photo can't be opened ({why.strerror}); check its permissions.") from why


def digest(data: bytes) -> str:
    """SHA-256 of the bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def find(data: bytes, scale: str | None) -> Finding:
    """What the photo shows; measured only where a scale is named.

    Raises
    ------
    PhotoError
        The bytes are no photo that can be read.
    """
    measured: tuple[str, ...] = ()
    if scale is None:
        recognition, shot = glance.recognise_photo(data, name=CALLED)
        features = recognition.features
        refusal = retake.nothing_to_measure(recognition)
        advice = (UNSCALED,) if refusal is None else _advice([refusal])
    else:
        from identify import pipeline  # with all that measures, which takes long to load

        case, shot = pipeline.identify_photo(data, name=CALLED, scale=scale)
        recognition = case.recognition
        features = glance.features(shot.rgb)  # of the same look as in a survey that measures nothing
        measured = tuple(f"{found.quantity.replace('_', ' ')} {found}" for found in case.measurements)
        advice = () if measured else _advice(case.not_measured)
    likely = max(recognition.probabilities, key=lambda name: recognition.probabilities[name])
    return Finding(
        sha256=shot.sha256,
        answer=recognition.answer,
        likely=likely,
        probability=round(recognition.probabilities[likely], 4),
        prediction_set=recognition.possible,
        view=recognition.view if tables.load().fitting(likely).part else "",
        varieties=_varieties(recognition),
        measured=measured,
        advice=advice,
        likeness=likeness.print_of(shot.rgb),
        traits="" if features is None else likeness.traits_of(features),
    )


def _varieties(recognition: Recognition) -> tuple[tuple[str, str, float], ...]:
    return tuple(
        (name, found.answer, round(found.probability, 4)) for name, found in sorted(recognition.varieties.items())
    )


def _advice(missing: Iterable[NotMeasured]) -> tuple[str, ...]:
    told = [f"{miss.reason} {miss.advice}" for miss in missing]
    return tuple(dict.fromkeys(told))
