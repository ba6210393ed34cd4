"""Candidates for the answer: each row with its probability, what to order by, and the table rows that fired."""

from __future__ import annotations

from identify.model import Candidate
from identify.rules.belief import OTHER, Belief, sizes
from identify.rules.evidence import Evidence
from identify.rules.likelihood import row_spread
from identify.rules.threads import reads_as
from identify.tables import Tables
from identify.tables.rows import CandidateRow


def candidates(belief: Belief, evidence: Evidence, tables: Tables) -> tuple[Candidate, ...]:
    """All rows and ``other``, the most probable first; they sum to 1."""
    reading = reads_as(evidence.measured, tables)
    found = []
    for row, share, options in zip(belief.rows, belief.p[:-1], belief.options, strict=True):
        order = _order(row, options, tables)
        if reading and not row.thread:
            order["thread_reads_as"] = reading
        keys = [row.source, tables.threads[row.thread].source] if row.thread else [row.source]
        because = _because(row, evidence, tables)
        found.append(Candidate(row.id, row.description, float(share), order, because, tables.titles(keys)))
    found.append(_other(float(belief.p[-1]), reading, evidence, tables))
    return tuple(sorted(found, key=lambda one: (-one.probability, one.id)))


def _because(row: CandidateRow, evidence: Evidence, tables: Tables) -> tuple[str, ...]:
    because = [f"{row.class_id}: class probability {evidence.classes[row.class_id]:.2f}"]
    because += _sizes_fired(row, evidence, tables)
    for name, told in sorted(evidence.told.items()):
        own = row.attributes.get(name, row.options.get(name, ()))
        if own:
            word = "agrees" if told.answer in own else "disagrees"
            because.append(f"{row.id} {name.replace('_', ' ')}: {told.answer} told by the {told.by}, {word}")
    return tuple(because)


def _sizes_fired(row: CandidateRow, evidence: Evidence, tables: Tables) -> list[str]:
    fired = []
    for name, (low, high) in sizes(row, tables).items():
        measured = evidence.measured.get(name)
        if measured is None:
            continue
        span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        u = (measured.u**2 + row_spread(low, high) ** 2) ** 0.5
        far = abs(measured.value - (low + high) / 2.0) / max(u, 1e-3)
        where = row.thread if row.thread and name not in row.ranges else row.id
        word = "agrees" if far <= 2.0 else f"{far:.1f} standard uncertainties off"
        what = f"{where} {tables.quantities[name].name}: {span}"
        fired.append(f"{what}, measured {measured.value:.2f} by the {measured.by}, {word}")
    return fired


def _order(row: CandidateRow, options: dict[str, dict[str, float]], tables: Tables) -> dict[str, float | str]:
    """What to order by: sizes, attributes, and what is still open."""
    order: dict[str, float | str] = {}
    if row.thread:
        thread = tables.threads[row.thread]
        order["thread"] = thread.id
        order["thread_major_diameter_mm"] = thread.major_mm
        order["thread_pitch_mm"] = thread.pitch_mm
    for name, (low, high) in row.ranges.items():
        unit = "_mm" if tables.quantities[name].unit == "mm" else ""
        order[name + unit] = round((low + high) / 2.0, 3)
    order |= {name: values[0] for name, values in row.attributes.items()}
    for name, values in options.items():
        best = max(values, key=lambda value: values[value])
        order[name] = best if values[best] >= tables.setting("option_known") else f"to check: {' or '.join(values)}"
    return order


def _other(share: float, reading: str, evidence: Evidence, tables: Tables) -> Candidate:
    """The rest: no listed row; rows of low confidence that the size would fit are named as a question."""
    because = []
    for row in tables.candidates.values():
        if row.confidence != "L" or evidence.nothing_seen:
            continue
        for name, (low, high) in row.ranges.items():
            measured = evidence.measured.get(name)
            if measured and low - 2.0 * measured.u <= measured.value <= high + 2.0 * measured.u:
                because.append(f"{row.id}: the size would fit, but no source lists it; confirm with callipers")
    text = "None of the listed rows: compare with the old part at the counter"
    order: dict[str, float | str] = {"thread_reads_as": reading} if reading else {}
    return Candidate(OTHER, text, share, order, tuple(because), ())
