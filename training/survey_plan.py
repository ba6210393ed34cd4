"""What a survey of very many photos takes, from measured rates: machines, hours, money, partitions, restarts.

    python -m training.survey_plan --photos 10000000 --seconds 0.12 --megabytes 1.2 --row-bytes 500 [--cores 256]

``--seconds`` and ``--megabytes`` are what python -m training.time_survey prints for a photo.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

PART = 20_000  # photos a partition: its rows fit into 200 MB, and its schedule into a spreadsheet
LOT = 32  # photos that an actor has in hand, see identify.survey.cluster
START_S = 40.0  # a partition's start: the cluster joined, its actors and their networks up


@dataclass(frozen=True, slots=True)
class Plan:
    """Sums of a plan; money in the unit of the price that was given."""

    core_hours: float
    hours: float
    partitions: int
    photos_per_s: float
    gigabits_per_s: float
    terabytes: float
    result_gigabytes: float
    price: float
    lost_core_s: float


def plan(
    photos: int, *, seconds: float, megabytes: float, row_bytes: float, cores: int, price: float, use: float
) -> Plan:
    """The plan for so many photos.

    Parameters
    ----------
    seconds : of one processor for one photo.
    megabytes, row_bytes : size of a photo, and of its row in the Parquet result.
    price : of one processor for an hour.
    use : share of the time in which the processors work on photos.
    """
    partitions = math.ceil(photos / PART)
    per_s = cores * use / seconds
    hours = (photos / per_s + partitions * START_S) / 3600
    return Plan(
        core_hours=photos * seconds / 3600,
        hours=hours,
        partitions=partitions,
        photos_per_s=per_s,
        gigabits_per_s=per_s * megabytes * 8e6 / 1e9,
        terabytes=photos * megabytes / 1e6,
        result_gigabytes=photos * row_bytes / 1e9,
        price=hours * cores * price,
        lost_core_s=LOT * seconds,
    )


def told(found: Plan, options: argparse.Namespace) -> list[str]:
    """The plan in lines."""
    return [
        f"{options.photos:,} photos of {options.megabytes} MB: {found.terabytes:.1f} TB to read, "
        f"{found.core_hours:,.0f} processor hours",
        f"{options.cores} processors, {options.use:.0%} of the time at work: {found.photos_per_s:,.0f} photos/s, "
        f"{found.gigabits_per_s:.1f} Gbit/s from the store, {found.hours:.1f} hours",
        f"{found.partitions:,} partitions of {PART:,} photos, each with its own progress file and schedule; "
        f"{found.result_gigabytes:.1f} GB of Parquet",
        f"at {options.price} a processor hour: {found.price:,.0f}",
        f"a lost actor costs at most {LOT} photos ({found.lost_core_s:.0f} s of one processor), "
        "a lost machine as many for each of its processors, a killed driver nothing that was written",
    ]


def main() -> None:
    """Print the plan."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=10_000_000)
    parser.add_argument("--seconds", type=float, required=True, help="of one processor for one photo")
    parser.add_argument("--megabytes", type=float, required=True, help="size of a photo")
    parser.add_argument("--row-bytes", type=float, required=True, help="size of a row in the Parquet result")
    parser.add_argument("--cores", type=int, default=256)
    parser.add_argument("--use", type=float, default=0.8, help="share of the time at work (default: 0.8, assumed)")
    parser.add_argument("--price", type=float, default=0.04, help="of a processor hour (default: 0.04, assumed)")
    options = parser.parse_args()
    words = {name: value for name, value in vars(options).items() if name != "photos"}
    print("\n".join(told(plan(options.photos, **words), options)))


if __name__ == "__main__":
    main()
