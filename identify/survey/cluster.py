"""The same work on a Ray cluster: lots of photos go to actors, each of which has a worker process of its own.

Ray Data hands out the lots and brings back what was found; photos are read and decoded by the step that a survey on
one machine takes too, so a photo that crashes or hangs costs one row and no actor. Every machine of the cluster must
reach the photos by the same path or URL, and needs the same version of this package.
"""

from __future__ import annotations

import contextlib
import importlib.util
import json
import logging
import os
from collections.abc import Collection, Generator, Sequence
from dataclasses import asdict
from typing import Any

from identify.errors import ModelError, UsageError
from identify.survey import finding
from identify.survey.crew import Crew, Outcome
from identify.survey.finding import Finding
from identify.survey.site import Shot

HERE = "local"  # an address: a cluster that is started on this machine and ends with the survey
LOT = 32  # photos that an actor works through at a time
DIFFERS = "differs"

Table = dict[str, Any]  # column to an array of values
Order = tuple[str | None, frozenset[str], str]  # scale, hashes of known photos, recipe


def check(address: str) -> None:
    """Raise UsageError where no cluster can be used from here."""
    if not address or importlib.util.find_spec("ray") is None or importlib.util.find_spec("pyarrow") is None:
        raise UsageError(f"--ray {address} needs Ray: pip install 'tapwright[ray]', or leave it out.")


def work_through(
    shots: Sequence[Shot], *, workers: int, scale: str | None, known: Collection[str], address: str
) -> Generator[Outcome, None, None]:
    """The outcome of every photo, as :func:`identify.survey.crew.work_through` gives it; closing it leaves the cluster.

    Parameters
    ----------
    workers : actors at most, each of one processor.
    address : of an existing cluster as ray.init takes it, or ``local``.

    Raises
    ------
    UsageError
        The cluster can't be reached, stops answering, or has another version of this package.
    """
    os.environ["RAY_USAGE_STATS_ENABLED"] = "0"  # must stand before Ray is imported: nothing is sent anywhere
    os.environ.setdefault("RAY_BACKEND_LOG_LEVEL", "error")  # what went wrong is said once, in one sentence
    import ray

    with _joined(ray, address, workers):
        yield from _outcomes(shots, workers, (scale, frozenset(known), finding.recipe(scale)))


@contextlib.contextmanager
def _joined(ray: Any, address: str, workers: int) -> Generator[None, None, None]:
    processors = {"num_cpus": workers, "include_dashboard": False} if address == HERE else {}
    try:
        ray.init(address=address, log_to_driver=False, logging_level=logging.ERROR, **processors)
    except (ConnectionError, RuntimeError, ValueError, OSError) as why:
        hint = "start it, or set RAY_AUTH_MODE=token where it asks for its token"
        raise UsageError(f"--ray {address}: no cluster answers there ({_line(why)}); {hint}.") from why
    try:
        yield
    except ray.exceptions.RayError as why:
        raise UsageError(f"--ray {address}: the cluster failed ({_line(why)}); the same command goes on.") from why
    finally:
        ray.shutdown()


def _line(why: Exception) -> str:
    return next((line.strip().rstrip(".") for line in str(why).splitlines() if line.strip()), type(why).__name__)[:200]


def _outcomes(shots: Sequence[Shot], workers: int, order: Order) -> Generator[Outcome, None, None]:
    import ray.data as data

    context = data.DataContext.get_current()
    context.enable_progress_bars = False
    logging.getLogger("ray.data").setLevel(logging.ERROR)
    asked = [{"number": number, "shot": json.dumps(asdict(shot))} for number, shot in enumerate(shots)]
    lots = -(-len(shots) // LOT)
    found = data.from_items(asked, override_num_blocks=lots).map_batches(
        Actor,
        fn_constructor_kwargs={"order": order},
        batch_size=LOT,
        compute=data.ActorPoolStrategy(min_size=1, max_size=max(1, min(workers, lots))),
        num_cpus=1,
    )
    for lot in found.iter_batches(batch_size=None, prefetch_batches=0):
        yield from _read(lot)


class Actor:
    """One member of the cluster: a crew of one worker process, kept from lot to lot."""

    def __init__(self, order: Order) -> None:
        scale, known, recipe = order
        self._same = _recipe(scale) == recipe
        self._crew = Crew(1, scale, known)

    def __call__(self, lot: Table) -> Table:
        """The outcomes of a lot; columns of plain values on either side."""
        if not self._same:
            outcomes = [Outcome(0, error=DIFFERS)]
        else:
            outcomes = list(self._crew.work([_shot(text) for text in lot["shot"]]))
        return {
            "number": [int(lot["number"][outcome.number]) for outcome in outcomes],
            "sha256": [outcome.sha256 for outcome in outcomes],
            "finding": [json.dumps(outcome.finding and outcome.finding.as_json()) for outcome in outcomes],
            "error": [outcome.error for outcome in outcomes],
        }


def _recipe(scale: str | None) -> str:
    try:
        return finding.recipe(scale)
    except ModelError:
        return ""


def _shot(text: str) -> Shot:
    told = json.loads(text)
    return Shot(told["file"], told["path"], told["entry"], tuple(told["places"]))


def _read(lot: Table) -> Generator[Outcome, None, None]:
    columns = (lot["number"], lot["sha256"], lot["finding"], lot["error"])
    for number, sha256, told, error in zip(*columns, strict=True):
        if error == DIFFERS:
            raise UsageError("A machine of the cluster has another version of tapwright; install the same on all.")
        found = json.loads(told)
        yield Outcome(int(number), str(sha256), Finding.from_json(found) if found else None, str(error))
