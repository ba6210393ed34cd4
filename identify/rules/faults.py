"""From a symptom to its ranked causes, each with the check that tells it from the others, the remedy and its parts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from identify.errors import UsageError
from identify.model import Caution
from identify.tables import Tables
from identify.tables.advice import Fault, FaultCause
from identify.tables.rows import EVERY_CLASS

IDLE = frozenset(
    "a an and as at be but by do does for from has have i in is it its just keep keeps my of only or so tap that the "
    "this to when while will with".split()
)
NOT = (("won't", "will not"), ("can't", "can not"), ("cannot", "can not"), ("n't", " not"))


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause; ``standing`` says whether what is known speaks for it or against it, empty where neither."""

    cause: str
    standing: str
    check: str
    remedy: str
    parts: tuple[str, ...]
    evidence: str
    confidence: str
    source: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A symptom with its causes, the likeliest first, and the cautions of the symptom and its classes."""

    id: str
    symptom: str
    match: float
    causes: tuple[Cause, ...]
    cautions: tuple[Caution, ...]


def symptoms(classes: Sequence[str], tables: Tables) -> tuple[Fault, ...]:
    """Symptoms of these classes, those of every tap last; of all classes where none is named."""
    wanted = classes or list(tables.classes)
    own = [row for row in tables.faults.values() if set(row.classes) & set(wanted)]
    return (*own, *(row for row in tables.faults.values() if row.classes == EVERY_CLASS))


def matching(words: str, rows: Sequence[Fault], tables: Tables) -> dict[str, float]:
    """Symptoms that a user's words may mean, the best first: id to match.

    The match of two phrases is twice the weight of their shared words over the weight of both (the Dice coefficient;
    Dice, Ecology 26, 1945). A word weighs less the more of the rows use it, and a word that none of them uses weighs
    little: people tell a story. Endings such as -s and -ing do not count.
    """
    phrases = {row.id: [_stems(text) for text in (row.symptom, *row.words)] for row in rows}
    used = [set().union(*texts) for texts in phrases.values()]
    asked = _stems(words)
    everything = asked.union(*used)
    rows_using = {stem: sum(stem in one for one in used) for stem in everything}
    strange = tables.setting("strange_word")
    weight = {stem: 1.0 / count**0.5 if count else strange for stem, count in rows_using.items()}
    match = {name: max(_dice(asked, text, weight) for text in texts) for name, texts in phrases.items()}
    best = max(match.values(), default=0.0)
    least = max(tables.setting("least_symptom_match"), best * tables.setting("near_symptom_match"))
    return {name: share for name, share in sorted(match.items(), key=lambda pair: -pair[1]) if share >= least}


def diagnose(
    row: Fault, classes: Sequence[str], known: Mapping[str, str], tables: Tables, *, match: float = 1.0
) -> Diagnosis:
    """Causes of one symptom.

    Parameters
    ----------
    classes : classes that the part may be of; their cautions come with the answer.
    known : attribute to its value; causes that it speaks for come first, those that it speaks against last.
    """
    causes = [cause for cause in tables.fault_causes.values() if cause.fault == row.id]
    causes.sort(key=lambda cause: (_standing(cause, known), cause.rank))
    keys = [*row.cautions, *(name for name, one in tables.cautions.items() if one.general)]
    for name in classes or _own(row, tables):
        keys += tables.classes[name].cautions
    return Diagnosis(
        row.id, row.symptom, match, tuple(_cause(one, known, tables) for one in causes), tables.warnings(keys)
    )


def class_named(word: str, tables: Tables) -> str:
    """Id of the class of parts that goes by this id or name; empty if none does."""
    names = {name: name for name, row in tables.classes.items() if row.part}
    names |= {row.name.lower(): name for name, row in tables.classes.items() if row.part}
    return names.get(word.strip().lower(), "")


def classes_seen(answer: str, not_ruled_out: Iterable[str], tables: Tables) -> tuple[str, ...]:
    """Classes of parts that a photo leaves possible.

    Raises
    ------
    UsageError
        The photo leaves none.
    """
    possible = (answer,) if answer in tables.classes else tuple(not_ruled_out)
    parts = tuple(name for name in possible if name in tables.classes and tables.classes[name].part)
    if not parts:
        raise UsageError("The photo shows no fitting that is known; name the class, or take another photo.")
    return parts


def _own(row: Fault, tables: Tables) -> tuple[str, ...]:
    return tuple(name for name in row.classes if name in tables.classes)


def _standing(cause: FaultCause, known: Mapping[str, str]) -> int:
    """-1 where what is known speaks for the cause, 1 where it speaks against it, else 0."""
    said = [known[name] in values for name, values in cause.applies.items() if name in known]
    return 0 if not said else -1 if all(said) else 1


def _cause(row: FaultCause, known: Mapping[str, str], tables: Tables) -> Cause:
    about = ", ".join(f"{name.replace('_', ' ')}: {known[name]}" for name in row.applies if name in known)
    words = {-1: f"agrees with {about}", 0: "", 1: f"unlikely with {about}"}[_standing(row, known)]
    title = tables.titles([row.source])[0]
    return Cause(row.cause, words, row.check, row.remedy, row.parts, row.evidence, row.confidence, title)


def _stems(words: str) -> frozenset[str]:
    text = words.lower().replace("’", "'")
    for short, full in NOT:
        text = text.replace(short, full)
    return frozenset(_stem(word) for word in re.findall(r"[a-z]+", text) if word not in IDLE)


def _stem(word: str) -> str:
    stem = re.sub(r"(ing|ed|es|s|y)$", "", word) if len(word) > 3 else word
    stem = stem.removesuffix("e") if len(stem) > 3 else stem
    return stem[:-1] if len(stem) > 3 and stem[-1] == stem[-2] else stem


def _dice(one: frozenset[str], other: frozenset[str], weight: Mapping[str, float]) -> float:
    total = sum(weight[word] for word in one) + sum(weight[word] for word in other)
    return 2.0 * sum(weight[word] for word in one & other) / total if total else 0.0
