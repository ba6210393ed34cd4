"""The model card's section on the calibration: how a photo is looked at, beside the ways that were tried."""

from __future__ import annotations

from typing import Any

from identify.classifier import LEAST_NEAR
from training.markdown import percent, table


def section(calibration: dict[str, Any]) -> str:
    """The card's section on the calibration."""
    if not calibration:
        return "## Calibration\nNot calibrated."
    rows = [
        [name, percent(f["top1"], 2), f"{f['nll']:.4f}", f"{f['whole_weight']:g}", f"{f['temperature']:.3f}",
         percent(f["ece_before"], 2), percent(f["ece"], 2)]
        for name, f in calibration["fits"].items()
    ]  # fmt: skip
    chosen = calibration["chosen"]
    reached = "reached" if chosen["error_bound"] <= chosen["risk"] else "NOT reached"
    return "\n".join(
        [
            "## Calibration",
            f"On {calibration['pictures']} renders of parts never trained on, half of them made worse first. Taken: "
            f"**{calibration['looks']}**.",
            "",
            table(
                ["looks", "top-1", "log loss", "whole photo's weight", "temperature", "ECE before", "ECE after"], rows
            ),
            "",
            f"A photo gets {LEAST_NEAR} near looks, and no further one once a class has the probability "
            f"{calibration['sure_at']:g} before calibration: {calibration['passes']['taken']:.2f} passes on "
            f"average. So looked at, top-1 is {percent(chosen['top1'])}, ECE {percent(chosen['ece'])}, temperature "
            f"{chosen['temperature']:.3f}.",
            *_aims(calibration),
            *_faint(calibration),
            "",
            f"`unsure` below a probability of {chosen['unsure_below']:.3f}: {percent(chosen['accepted'])} are "
            f"answered, {percent(chosen['wrong_among_accepted'], 2)} of these wrong; upper bound "
            f"{percent(chosen['error_bound'], 2)} at 95 % confidence (aim: at most "
            f"{percent(chosen['risk'])}, {reached}). The 95 % set holds every class of probability "
            f"{chosen['set_from']:.3f} or more: it covers {percent(chosen['set_coverage'])} with "
            f"{chosen['set_size']:.2f} classes on average.",
            "",
            *_survey(calibration["survey"], calibration["passes"]["all"]),
        ]
    )


def _aims(calibration: dict[str, Any]) -> list[str]:
    """Whose map of the whole photo aims the near looks, where the file has several networks."""
    names = ["all" if way["aimed_by"] is None else f"network {way['aimed_by'] + 1}" for way in calibration["aims"]]
    if len(names) == 1:
        return []
    taken = next(
        name for name, way in zip(names, calibration["aims"], strict=True) if way["aimed_by"] == calibration["aimed_by"]
    )
    said = f"The map of the whole photo that aims the near looks may be of one network alone; taken: {taken}."
    return _tried(said, ["map of", "photos looked at elsewhere"], names, calibration["aims"])


def _faint(calibration: dict[str, Any]) -> list[str]:
    """Whether a trace of a part is looked at nearer where no part is seen, beside what was tried."""
    said = (
        "Where the first look sees no part, what is one with less probability than a half may be looked at nearer; "
        f"taken: from {calibration['faint_from']:g} on."
    )
    names = [f"{way['faint_from']:g}" for way in calibration["faint"]]
    return _tried(said, ["a part from", "photos looked at nearer for it"], names, calibration["faint"])


def _tried(said: str, head: list[str], names: list[str], ways: list[dict[str, Any]]) -> list[str]:
    """A sentence and the table of what was tried."""
    rows = [
        [name, way["pictures"], percent(way["top1"], 2), f"{way['nll']:.4f}",
         f"{way['excess']:+.4f} ± {way['standard_error']:.4f}"]
        for name, way in zip(names, ways, strict=True)
    ]  # fmt: skip
    return ["", said, "", table([*head, "top-1", "log loss", "change"], rows)]


def _survey(found: dict[str, Any], passes: float) -> list[str]:
    """Which looks a survey takes, beside the way of least log loss of each manner and number of near looks."""
    kinds: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for way in found["ways"]:
        kinds.setdefault((way["turns"], way["first_px"], way["survey_looks"]), []).append(way)
    rows = [
        [
            "one in turn" if way["turns"] else "all",
            str(way["first_px"]),
            str(way["survey_looks"]),
            "" if way["sure_at"] > 1 else f"{way['sure_at']:g}",
            f"{way['passes']:.2f}",
            percent(way["fit"]["top1"]),
            f"{way['excess']:+.4f} ± {way['standard_error']:.4f}",
            percent(way["fit"]["accepted"]),
        ]
        for way in (min(ways, key=lambda way: way["nll"]) for ways in kinds.values())
    ]
    fit, turns = found["fit"], "the file's networks take turns, one a look; " if found["turns"] else ""
    sure = "" if found["sure_at"] > 1 else f", and none once a class has the probability {found['sure_at']:g}"
    return [
        f"In surveys {turns}the first look is at the whole photo at {found['first_px']} px and weighs "
        f"{found['whole_weight']:g}; at most {found['survey_looks']} near looks follow{sure} before calibration: "
        f"{found['passes']:.2f} passes of the whole file a picture instead of {passes:.2f}, top-1 "
        f"{percent(fit['top1'])}, log loss {found['nll']:.4f}, which exceeds that of all looks of all networks by "
        f"{found['excess']:.4f} (standard error {found['standard_error']:.4f}). It is the least of the ways within "
        f"{found['most_passes']:g} passes. With a temperature of {fit['temperature']:.3f} the "
        f"ECE is {percent(fit['ece'])}, and below a probability of {fit['unsure_below']:.3f} the answer is `unsure`: "
        f"{percent(fit['accepted'])} are answered, {percent(fit['wrong_among_accepted'], 2)} of these wrong (upper "
        f"bound {percent(fit['error_bound'], 2)}).",
        "",
        table(
            [
                "networks",
                "first look [px]",
                "near looks",
                "sure at",
                "passes",
                "top-1",
                "log loss beyond all looks'",
                "answered",
            ],
            rows,
        ),
    ]
