"""The network files that ship with the package: where they lie, what their cards say, how the runtime opens them."""

from __future__ import annotations

import ctypes
import hashlib
import math
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import onnxruntime as ort

from identify.errors import ModelError

SEEN_FROM = 0.5  # the probability over which a pixel of a look's mask is of the part
KEPT_BYTES, LARGE_BYTES = 32 << 20, 32 << 20  # larger pieces, as a whole photo, are given back at once
_TRIM_THRESHOLD, _MAP_THRESHOLD = -1, -3  # numbers of glibc's mallopt


def shipped(name: str) -> Path:
    """Path of a network file: in an installed package models/ lies inside it, in a checkout beside it."""
    here = Path(__file__).resolve().parent
    places = (here / "models" / name, here.parent / "models" / name)
    return next((place for place in places if place.is_file()), places[0])


def checked(path: Path, sha256: str) -> bytes:
    """The bytes of a network file. ModelError where they have another SHA-256 than its card says."""
    data = path.read_bytes()
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise ModelError(
            f"{path.name} has SHA-256 {found[:12]}…, its card says {sha256[:12]}…; "
            "the file is damaged or not the one that was checked: install the package again."
        )
    return data


def session(data: bytes) -> ort.InferenceSession:
    """A session on one thread of the processor: whole processes share the cores, not the threads of one network.

    All sessions of a process work in one memory, since they run one after the other.
    """
    _share_memory()
    _keep_memory()
    options = ort.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    options.add_session_config_entry("session.use_env_allocators", "1")
    return ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])


@cache
def _share_memory() -> None:
    """Give the runtime one memory for all sessions, which grows by what is asked for, not to the next power of two."""
    place = ort.OrtMemoryInfo("Cpu", ort.OrtAllocatorType.ORT_ARENA_ALLOCATOR, 0, ort.OrtMemType.DEFAULT)
    ort.create_and_register_allocator(place, ort.OrtArenaCfg({"arena_extend_strategy": 1}))


@cache
def _keep_memory() -> None:
    """Let the process keep what one photo needed for the next one, up to ``KEPT_BYTES``, where the C library can.

    By itself glibc gives memory back many times a photo, and the system clears it anew each time it is asked for.
    """
    own = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if own is not None:
        own(_TRIM_THRESHOLD, KEPT_BYTES)
        own(_MAP_THRESHOLD, LARGE_BYTES)


@dataclass(frozen=True, slots=True)
class VarietyHead:
    """One second answer: its possible answers, and the classes of which it is asked."""

    name: str
    answers: tuple[str, ...]
    classes: tuple[str, ...]
    temperature: float


@dataclass(frozen=True, slots=True)
class SurveyLooks:
    """Looks at a photo of which only the class is wanted: at most so many near ``looks``, the rest as in Card."""

    looks: int
    sure_at: float
    whole_weight: float
    first_px: int
    turns: bool
    temperature: float
    unsure_below: float
    set_from: float


@dataclass(frozen=True, slots=True)
class Card:
    """What must be known about a model file to use it.

    Parameters
    ----------
    nothing : the class that means that no fitting is in view.
    input_px : side of the square that the network sees [px].
    mean, std : a pixel enters as (pixel - mean) / std.
    crop_shares : one near look each: the share of its square that the part's longer side fills; none: one look only.
    whole_weight : of the whole photo's look in the mean of all looks.
    faint_from : where the first look sees no part, what is one with at least this probability is looked at nearer.
    aimed_by : number of the file's network whose map of the whole photo aims the near looks; None: that of them all.
    sure_at : of a photo that is measured, no further near look is needed from this probability on.
    first_px : side of the square that the first look, at the whole photo, is taken at [px].
    turns : whether the networks of the file take turns, one a look; else each look is of them all.
    survey : what else holds where only the class is wanted.
    unsure_below : the answer is unsure where the best probability is below this.
    set_from : the 95 % prediction set holds every class of at least this probability.
    least_part_share : an answer other than ``nothing`` needs at least this share of the photo labelled as part.
    strange_by : the score that tells objects of no known kind, or empty where none is used.
    strange_from : an answer other than ``nothing`` is unsure where that score is this high.
    """

    version: str
    sha256: str
    classes: tuple[str, ...]
    nothing: str
    views: tuple[str, ...]
    varieties: tuple[VarietyHead, ...]
    input_px: int
    mean: float
    std: float
    crop_shares: tuple[float, ...]
    whole_weight: float
    sure_at: float
    temperature: float
    unsure_below: float
    set_from: float
    least_part_share: float
    first_px: int
    survey: SurveyLooks
    turns: bool = False
    faint_from: float = SEEN_FROM
    aimed_by: int | None = None
    strange_by: str = ""
    strange_from: float = math.inf

    @property
    def hasty(self) -> bool:
        """Whether the first look is less than a pass of all networks over a picture of the full size."""
        return self.turns or self.first_px < self.input_px

    def surveying(self) -> Card:
        """The card as it holds where only the class is wanted."""
        survey = self.survey
        return replace(
            self,
            crop_shares=self.crop_shares[: survey.looks],
            whole_weight=survey.whole_weight,
            sure_at=survey.sure_at,
            first_px=survey.first_px,
            turns=survey.turns,
            faint_from=SEEN_FROM,
            temperature=survey.temperature,
            unsure_below=survey.unsure_below,
            set_from=survey.set_from,
        )


def read_card(path: Path) -> Card:
    """Read a model's card.

    Raises
    ------
    ModelError
        The file is missing, is no TOML, or lacks a key.
    """
    if not path.is_file():
        raise ModelError(f"The model's card {path} does not exist; install the package again.")
    try:
        text: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
        raise ModelError(f"The model's card {path.name} can't be read ({why}); install the package again.") from why
    try:
        card = Card(
            version=str(text["version"]),
            sha256=str(text["sha256"]),
            classes=tuple(text["classes"]),
            nothing=str(text["nothing"]),
            views=tuple(text["views"]),
            varieties=tuple(_variety_head(block) for block in text["varieties"]),
            input_px=int(text["input"]["side_px"]),
            mean=float(text["input"]["mean"]),
            std=float(text["input"]["std"]),
            crop_shares=tuple(float(share) for share in text["input"]["crop_shares"]),
            whole_weight=float(text["input"].get("whole_weight", 0.0)),  # cards of before have none
            faint_from=float(text["input"].get("faint_from", SEEN_FROM)),
            aimed_by=None if "aimed_by" not in text["input"] else int(text["input"]["aimed_by"]),
            sure_at=float(text["input"]["sure_at"]),
            first_px=int(text["input"]["side_px"]),
            survey=_survey_looks(text),
            temperature=float(text["decision"]["temperature"]),
            unsure_below=float(text["decision"]["unsure_below"]),
            set_from=float(text["decision"]["set_from"]),
            least_part_share=float(text["decision"]["least_part_share"]),
            strange_by=str(text["decision"].get("strange_by", "")),
            strange_from=float(text["decision"].get("strange_from", math.inf)),
        )
    except (KeyError, TypeError, ValueError) as why:
        raise ModelError(f"The model's card {path.name} is incomplete ({why}); write it with training.card.") from why
    if card.nothing not in card.classes or len(set(card.classes)) != len(card.classes):
        raise ModelError(f"The model's card {path.name} names its classes wrongly: {', '.join(card.classes)}.")
    return card


def _survey_looks(text: Mapping[str, Any]) -> SurveyLooks:
    """Cards of before lack the table or keys of it: then a survey looks as at a photo that is measured."""
    plain, block = text["input"], text.get("survey", {})
    said = text["decision"] | {"whole_weight": 0.0, "first_px": plain["side_px"], "turns": False} | plain | block
    return SurveyLooks(
        looks=int(block.get("looks", plain.get("survey_looks", len(plain["crop_shares"])))),
        sure_at=float(block.get("sure_at", plain.get("survey_sure_at", plain["sure_at"]))),
        whole_weight=float(said["whole_weight"]),
        first_px=int(said["first_px"]),
        turns=bool(said["turns"]),
        temperature=float(said["temperature"]),
        unsure_below=float(said["unsure_below"]),
        set_from=float(said["set_from"]),
    )


def _variety_head(block: Mapping[str, Any]) -> VarietyHead:
    answers, classes = tuple(block["answers"]), tuple(block["classes"])
    return VarietyHead(str(block["name"]), answers, classes, float(block["temperature"]))
