"""``tapwright water``: mixed temperature, scald time, surge, velocity, leads."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from identify.cli import paragraphs, terminal
from identify.errors import UsageError

if TYPE_CHECKING:
    from identify.water import Result, Tube

EXAMPLE = """example:
  tapwright water mixed --hot 60 --cold 15 --set 41
  tapwright water scald --hot 60 --set 41
  tapwright water surge --pipe copper-15 --flow 0.2 --length 10 --closing 0.1
  tapwright water velocity --pipe copper-15 --outlet bath
  tapwright water lead 8"""


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(
        commands, "water", "reckon mixed temperature, scald time, surge, velocity, leads", EXAMPLE
    )
    kinds = command.add_subparsers(title="calculators", metavar="WHAT", required=True)
    mixed = _kind(kinds, "mixed", "mixed temperature, and whether the hot supply reaches the set point", _mixed)
    scald = _kind(kinds, "scald", "outlet temperature and scald time if the cold supply fails", _scald)
    for each in (mixed, scald):
        each.add_argument("--hot", type=_number, required=True, metavar="°C", help="hot supply")
        each.add_argument("--set", type=_number, metavar="°C", help="wanted blend, or what a limit ring was set to")
    mixed.add_argument("--cold", type=_number, required=True, metavar="°C", help="cold supply")
    mixed.add_argument("--use", metavar="NAME", help="what it is for (tapwright tables show set_temperatures)")
    mixed.add_argument("--hot-flow", type=_number, metavar="L/S", help="flow of the hot side")
    mixed.add_argument("--cold-flow", type=_number, metavar="L/S", help="flow of the cold side")
    surge = _kind(kinds, "surge", "pressure surge when the outlet closes", _surge)
    surge.add_argument("--length", type=_number, required=True, metavar="M", help="pipe to the next large pipe")
    surge.add_argument("--closing", type=_number, default=0.0, metavar="S", help="closing time (default: instant)")
    surge.add_argument("--velocity", type=_number, metavar="M/S", help="velocity, instead of a flow")
    surge.add_argument("--wave-speed", type=_number, metavar="M/S", help="wave speed, instead of a pipe")
    surge.add_argument("--temperature", type=_number, default=20.0, metavar="°C", help="of the water (default: 20)")
    surge.add_argument("--static", type=_number, metavar="BAR", help="pressure before the surge")
    velocity = _kind(kinds, "velocity", "velocity in the pipe against its limits", _velocity)
    for each in (surge, velocity):
        each.add_argument("--pipe", metavar="NAME", help="a pipe of the tables (tapwright tables show pipes)")
        each.add_argument("--bore", type=_number, metavar="MM", help="or its bore")
        each.add_argument("--flow", type=_number, metavar="L/S", help="flow")
        each.add_argument("--outlet", metavar="NAME", help="or the outlet (tapwright tables show draw_offs)")
    surge.add_argument("--wall", type=_number, metavar="MM", help="with --bore: wall of the pipe")
    surge.add_argument("--modulus", type=_number, metavar="GPA", help="with --bore: Young's modulus of the pipe")
    lead = _kind(kinds, "lead", "length of a sensor tap's leads", _lead)
    lead.add_argument("length", type=_number, metavar="M", help="length of all plug-in leads together")


def _kind(kinds: Any, name: str, about: str, reckon: Callable[[argparse.Namespace], Result]) -> argparse.ArgumentParser:
    example = "\n".join(line for line in EXAMPLE.splitlines() if f" {name} " in line or line.endswith(":"))
    command = terminal.command(kinds, name, about, example)
    command.add_argument("--json", action="store_true", help="print one JSON object")
    command.set_defaults(run=lambda options: _show(reckon(options), options.json))
    return command


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number; give one such as 12.5") from None


def _mixed(options: argparse.Namespace) -> Result:
    from identify import water

    flows = {"hot_flow_l_s": options.hot_flow, "cold_flow_l_s": options.cold_flow}
    return water.mixed(options.hot, options.cold, set_c=options.set, use=options.use, **flows)


def _scald(options: argparse.Namespace) -> Result:
    from identify import water

    return water.cold_fails(options.hot, set_c=options.set)


def _surge(options: argparse.Namespace) -> Result:
    from identify import water

    return water.surge(
        options.length,
        tube=_tube(options),
        wave_m_s=options.wave_speed,
        flow_l_s=_flow(options),
        velocity=options.velocity,
        closing_s=options.closing,
        temperature_c=options.temperature,
        static_bar=options.static,
    )


def _velocity(options: argparse.Namespace) -> Result:
    from identify import tables, water

    if (options.pipe is None) == (options.bore is None):
        raise UsageError("Give either --pipe NAME or --bore MM.")
    bore_mm = options.bore if options.pipe is None else water.tube_of(options.pipe, tables.load()).bore_mm
    flow_l_s = _flow(options)
    if flow_l_s is None:
        raise UsageError("Give either --flow L/S or --outlet NAME.")
    return water.velocity(flow_l_s, bore_mm)


def _lead(options: argparse.Namespace) -> Result:
    from identify import water

    return water.lead(options.length)


def _tube(options: argparse.Namespace) -> Tube | None:
    from identify import tables, water

    own = (options.bore, options.wall, options.modulus)
    if options.pipe is not None:
        if any(value is not None for value in own):
            raise UsageError(f"--pipe {options.pipe} has its own sizes; leave out --bore, --wall and --modulus.")
        return water.tube_of(options.pipe, tables.load())
    if all(value is None for value in own):
        return None
    if any(value is None for value in own):
        raise UsageError("A pipe of one's own needs --bore, --wall and --modulus.")
    return water.Tube(*own)


def _flow(options: argparse.Namespace) -> float | None:
    from identify import tables

    if options.outlet is None:
        return options.flow
    if options.flow is not None:
        raise UsageError(f"--outlet {options.outlet} has its own flow; leave out --flow.")
    known = tables.load().draw_offs
    if options.outlet not in known:
        raise UsageError(f"--outlet {options.outlet!r}: no outlet has that name; known: {', '.join(known)}.")
    return known[options.outlet].flow_l_s


def _show(result: Result, as_json: bool) -> int:
    if as_json:
        print(json.dumps(asdict(result), indent=1))
        return terminal.DONE
    lines = [f"{result.name[:1].upper()}{result.name[1:]}", paragraphs.fold(result.verdict, 2, 0)]
    lines += [paragraphs.fold(f"- {reason}", 2) for reason in result.reasons]
    lines += paragraphs.listed("Reckoned", map(str, result.figures))
    lines += paragraphs.listed("From", map(str, result.inputs))
    lines += paragraphs.listed("By", [result.formula, f"Source: {result.source}", f"Left out: {result.leaves_out}"])
    print("\n".join(lines + paragraphs.warned(result.cautions)))
    return terminal.DONE
