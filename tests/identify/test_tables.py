"""The tables against published figures, against themselves, and against slips of the pen.

Check values K01 to K15 (threads, coins, cards) are here; K16 to K26 (scald, surge, velocity, limits) are in
`water/test_water.py`.
"""

import ast
import math
import shutil
from pathlib import Path

import pytest

from identify import tables
from identify.errors import TableError, UsageError
from identify.tables import show
from identify.tables.reader import number, ranges, word_lists, yes_no

T = tables.load()

# ISO 228-1:1994, table 1: designation, threads an inch, pitch, major, pitch and minor diameter [mm]
ISO_228_1 = [
    ("G1/8", 28, 0.907, 9.728, 9.147, 8.566),
    ("G1/4", 19, 1.337, 13.157, 12.301, 11.445),
    ("G3/8", 19, 1.337, 16.662, 15.806, 14.950),
    ("G1/2", 14, 1.814, 20.955, 19.793, 18.631),
    ("G5/8", 14, 1.814, 22.911, 21.749, 20.587),
    ("G3/4", 14, 1.814, 26.441, 25.279, 24.117),
    ("G7/8", 14, 1.814, 30.201, 29.039, 27.877),
    ("G1", 11, 2.309, 33.249, 31.770, 30.291),
    ("G1 1/8", 11, 2.309, 37.897, 36.418, 34.939),
    ("G1 1/4", 11, 2.309, 41.910, 40.431, 38.952),
]


@pytest.mark.parametrize(("name", "tpi", "pitch", "major", "middle", "minor"), ISO_228_1)
def test_pipe_threads_are_those_of_iso_228_1(name, tpi, pitch, major, middle, minor):
    thread = T.threads[name]
    assert (thread.tpi, thread.taper) == (tpi, False)
    found = (thread.pitch_mm, thread.major_mm, thread.pitch_diameter_mm, thread.minor_mm)
    assert found == pytest.approx((pitch, major, middle, minor), abs=0.001)


@pytest.mark.parametrize("name", [row[0] for row in ISO_228_1])
def test_pipe_threads_obey_the_whitworth_form(name):
    """Thread depth 0.640327 P of the 55 degree form (ISO 228-1), P = 25.4 mm / threads an inch."""
    thread = T.threads[name]
    pitch = 25.4 / thread.tpi
    assert thread.pitch_mm == pytest.approx(pitch, abs=0.001)
    assert thread.minor_mm == pytest.approx(thread.major_mm - 2 * 0.640327 * pitch, abs=0.002)


def test_half_inch_is_a_name_and_no_diameter():
    assert T.threads["G1/2"].major_mm == 20.955
    assert all(
        abs(thread.major_mm - 12.7) > 0.3 for thread in T.threads.values() if thread.series.startswith("ISO 228")
    )


def test_no_pipe_outside_diameter_slipped_in():
    """13.72, 21.34 and 26.67 mm are outside diameters of American pipe, not of threads."""
    assert not {13.72, 21.34, 26.67, 13.158, 9.729} & {thread.major_mm for thread in T.threads.values()}


@pytest.mark.parametrize(
    ("name", "gauge"),
    [("R1/8", 4.0), ("R1/4", 6.0), ("R3/8", 6.4), ("R1/2", 8.2), ("R3/4", 9.5), ("R1", 10.4), ("R1 1/4", 12.7)],
)
def test_taper_threads_have_the_gauge_lengths_of_iso_7_1(name, gauge):
    """Basic gauge length of ISO 7-1; taper 1:16 on diameter; same diameters as ISO 228-1 at the gauge plane."""
    thread = T.threads[name]
    assert thread.gauge_length_mm == pytest.approx(gauge, abs=0.05)
    assert thread.od_max_mm - thread.od_min_mm == pytest.approx(gauge / 16, abs=0.002)
    assert thread.major_mm == T.threads["G" + name[1:]].major_mm


@pytest.mark.parametrize(
    ("name", "low", "high"), [("M8x1", 7.794, 7.974), ("M10x1", 9.794, 9.974), ("M24x1", 23.794, 23.974)]
)
def test_metric_outer_diameters_keep_to_6g(name, low, high):
    """ISO 965-1, 6g, pitch 1 mm: upper deviation -0.026, tolerance 0.180 (M8x1 and M10x1 as printed in two charts)."""
    assert (T.threads[name].od_min_mm, T.threads[name].od_max_mm) == pytest.approx((low, high), abs=0.001)


@pytest.mark.parametrize("name", [name for name in T.threads if name.startswith("M")])
def test_metric_threads_obey_iso_724(name):
    """ISO 724: d2 = d - 0.649519 P, D1 = d - 1.082532 P; ISO 965-1 6g limits by pitch."""
    thread = T.threads[name]
    d, p = thread.major_mm, thread.pitch_mm
    assert name == f"M{d:g}x{p:g}"
    assert thread.pitch_diameter_mm == pytest.approx(d - 0.649519 * p, abs=0.001)
    assert thread.minor_mm == pytest.approx(d - 1.082532 * p, abs=0.001)
    deviation, tolerance = {1.0: (0.026, 0.180), 1.5: (0.032, 0.236)}[p]
    assert thread.od_max_mm == pytest.approx(d - deviation, abs=0.001)
    assert thread.od_min_mm == pytest.approx(d - deviation - tolerance, abs=0.001)


@pytest.mark.parametrize(("name", "drill"), [("M8x1", 7.0), ("M10x1", 9.0)])
def test_tap_drill_is_the_diameter_less_the_pitch(name, drill):
    """Tap drill charts for soft metal."""
    assert T.threads[name].major_mm - T.threads[name].pitch_mm == pytest.approx(drill, abs=0.05)


@pytest.mark.parametrize(
    ("name", "inches"),
    [("15/16-27 UN", 15 / 16), ("55/64-27 UN", 55 / 64), ("13/16-27 UN", 13 / 16), ("3/4-27 UN", 3 / 4)],
)
def test_aerator_threads_in_mm(name, inches):
    assert T.threads[name].major_mm == pytest.approx(inches * 25.4, abs=0.01)
    assert T.threads[name].pitch_mm == pytest.approx(25.4 / 27, abs=0.0001)


def test_coin_rule_for_aerators():
    """A public page on aerators: a quarter covers a 15/16 male thread, a nickel goes into its female, and so on."""
    coin = {name: T.reference(f"usd-{name}").diameter_mm for name in ("5c", "10c", "25c")}
    thread = {name: T.threads[f"{name}-27 UN"].major_mm for name in ("15/16", "55/64", "13/16", "3/4")}
    assert coin["25c"] > thread["15/16"]
    assert coin["5c"] < thread["55/64"]
    assert coin["5c"] > thread["13/16"]
    assert coin["10c"] < thread["3/4"]


@pytest.mark.parametrize(
    ("id_", "diameter"),
    [
        *zip(  # Regulation (EC) 975/98, annex
            ("eur-1c", "eur-2c", "eur-5c", "eur-10c", "eur-20c", "eur-50c", "eur-1", "eur-2"),
            (16.25, 18.75, 21.25, 19.75, 22.25, 24.25, 23.25, 25.75),
            strict=True,
        ),
        *zip(("usd-10c", "usd-5c", "usd-25c", "usd-50c"), (17.91, 21.21, 24.26, 30.61), strict=True),  # US Mint
        ("usd-1c", 19.05),
        ("usd-1", 26.49),
        ("cad-1", 26.5),  # SOR/2011-193
        ("cad-2", 28.03),  # Order in Council PC 2023-1108
        *zip(  # South Africa, Government Gazette, 2023 series
            ("zar-10c", "zar-20c", "zar-50c", "zar-1", "zar-2", "zar-5"), (16, 19, 22, 20, 23, 26), strict=True
        ),
        *zip(("inr-1", "inr-2", "inr-5", "inr-10", "inr-20"), (20, 23, 25, 27, 27), strict=True),  # G.S.R. 184(E)
        *zip(("jpy-1", "jpy-5", "jpy-10"), (20.0, 22.0, 23.5), strict=True),  # Japan Mint
    ],
)
def test_coin_diameters_are_the_official_ones(id_, diameter):
    assert T.reference(id_).diameter_mm == diameter


def test_bank_card_is_id_1():
    """ISO/IEC 7810 ID-1: 85.60 by 53.98 mm."""
    card = T.reference("card")
    found = (card.width_mm, card.height_mm, card.width_mm / card.height_mm)
    assert found == pytest.approx((85.60, 53.98, 1.5858), abs=0.005)


@pytest.mark.parametrize(("id_", "sides"), [("gbp-50p", 7), ("gbp-20p", 7), ("cad-1", 11)])
def test_curves_of_constant_width_fit_smaller_than_callipers_read(id_, sides):
    """Barbier: perimeter π w whatever the sides; the area of a Reuleaux polygon gives the equal-area circle."""
    coin = T.reference(id_)
    radius = coin.diameter_mm / (2 * math.cos(math.pi / (2 * sides)))
    corners = 0.5 * sides * radius**2 * math.sin(2 * math.pi / sides)
    angle = math.pi / sides  # each arc of radius w is seen under π / n from the opposite corner
    segments = sides * 0.5 * coin.diameter_mm**2 * (angle - math.sin(angle))
    assert coin.rim_mm == pytest.approx(2 * math.sqrt((corners + segments) / math.pi), abs=0.01)
    assert coin.rim_mm < coin.diameter_mm


def test_every_coin_can_be_used_or_says_why_not():
    for row in T.references.values():
        assert row.use == "A" or row.note, row.id
        assert row.kind != "coin" or 15 < row.diameter_mm < 33, row.id
        assert row.thickness_mm is None or row.thickness_mm < 4, row.id
        assert row.shape in ("", "round") or row.use == "B", row.id
        assert row.evidence != "from memory" or row.confidence != "H" or row.source in ("rcm-memory", "iso-216"), row.id


@pytest.mark.parametrize(
    ("table", "count", "column", "total"),
    [
        ("references", 79, "diameter_mm", 1640.89),
        ("references", 79, "thickness_mm", 66.42),
        ("references", 79, "u_mm", 4.05),
        ("threads", 38, "major_mm", 930.04),
        ("threads", 38, "pitch_mm", 53.8538),
        ("threads", 38, "od_min_mm", 834.272),
        ("checks", 36, "minutes", 85.5),
        ("confusables", 14, "first_mm", 353.808),
        ("candidates", 39, "prior", 62.1),
    ],
)
def test_a_slipped_digit_changes_a_sum(table, count, column, total):
    rows = getattr(T, table).values()
    assert len(rows) == count
    assert sum(getattr(row, column) or 0 for row in rows) == pytest.approx(total, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "count", "prior", "words", "sizes"),
    [
        ("cartridges", 17, 21.1, 50, 644.0),
        ("garden", 2, 1.0, 12, 0.0),
        ("heads", 12, 30.0, 61, 0.0),
        ("sensors", 6, 8.0, 42, 0.0),
        ("thermostatic", 2, 2.0, 2, 0.0),
    ],
)
def test_a_slipped_row_of_the_replacement_parts_changes_a_sum(name, count, prior, words, sizes):
    """Rows, sum of the weights, number of attributes and option values, sum of the middle sizes [mm]."""
    rows = show.rows(name)
    assert len(rows) == count
    assert sum(row.prior for row in rows) == pytest.approx(prior)
    assert sum(len(v) for row in rows for v in (*row.attributes.values(), *row.options.values())) == words
    assert sum((low + high) / 2 for row in rows for low, high in row.ranges.values()) == pytest.approx(sizes)


def test_every_size_of_the_trade_has_its_rows():
    """Common practice of the trade: which sizes and forms are sold; each order can be told."""
    heads = {(row.thread, *row.attributes.get("spindle", ())) for row in show.rows("heads")}
    assert {(t, s) for t in ("G1/2", "G3/4", "G3/8") for s in ("exposed", "concealed")} <= heads
    screws = [row for row in T.candidates.values() if "spindle" in row.attributes or "packing" in row.attributes]
    assert all(row.options["size_pattern"] == ("15 light", "15 heavy", "20 heavy") for row in screws)
    meant = T.checks["size-pattern"].answers
    assert meant["15 mm heavy"] == meant["20 mm light"] == "15 heavy"  # one head serves both
    ceramic = [row for row in show.rows("heads") if "stem" in row.attributes]
    assert {(row.thread, row.attributes["stem"][0]) for row in ceramic} == {
        (thread, stem) for thread in ("G1/2", "G3/4") for stem in ("short", "long")
    }
    assert all(set(row.options) == {"opens", "spline_count"} for row in ceramic)
    sizes = {(row.ranges["body_diameter"][0] + 0.3, *row.attributes.get("base", ())) for row in show.rows("cartridges")}
    assert {(d, base) for d in (25.0, 35.0, 40.0, 45.0, 47.0) for base in ("flat", "raised")} <= sizes
    sensor = show.rows("sensors")
    fed = {(row.attributes["supply"][0], row.attributes["water"][0]) for row in sensor}
    assert fed == {(s, w) for s in ("battery", "mains", "turbine") for w in ("cold only", "blended")}
    assert all(row.options["solenoid"] == ("latching", "monostable") for row in sensor)


def test_what_an_order_needs_can_be_asked_for():
    """Every option and attribute of a row that may be ranked, and its size, is told by some check of its class."""
    for row in T.candidates.values():
        asked = {check.decides for check in T.checks.values() if row.class_id in check.classes}
        if row.confidence != "L":
            assert {*row.options, *row.ranges, *row.attributes} - {"spindle_motion"} <= asked | {"size_pattern"}, row.id


def test_no_value_stands_in_a_row_that_must_not_be_used():
    """Seat bores, washers, spline diameters, pegs, stem squares, ring threads, pattern sizes: no source has them."""
    for row in T.candidates.values():
        assert set(row.ranges) <= {"body_diameter"}, row.id
        assert not row.thread or T.threads[row.thread].series.startswith("ISO 228-1"), row.id


def test_set_temperatures_and_limits_in_the_cautions_are_the_published_ones():
    """NHS Estates Health Guidance Note: bidet 38, basin and shower 41, bath 44; EN 15091: 75 and 65 °C, 0.5 bar."""
    assert all(f"{value} °C" in T.cautions["competent-setting"].text for value in (38, 41, 44))
    assert all(value in T.cautions["sensor-temperature"].text for value in ("75 °C", "65 °C", "0.5 bar"))
    assert "8 bar" in T.checks["pressure"].question  # EN 15091, recommended most for a latching valve
    assert "44 °C" in T.cautions["scald"].text  # HSE, Health Services Information Sheet 6


def test_every_class_has_what_the_road_needs():
    for block in T.classes.values():
        if not block.part:
            assert not [row for row in T.candidates.values() if row.class_id == block.id]
            continue
        assert [row for row in T.candidates.values() if row.class_id == block.id and row.confidence != "L"]
        assert [row for row in T.checks.values() if block.id in row.classes]
        assert [row for row in T.faults.values() if block.id in row.classes]
        assert block.main_quantity in block.quantities
        assert block.height_mm > block.u_height_mm > 0
        assert {"isolate", "local-code", "flush"} <= set(block.cautions)


@pytest.mark.parametrize(
    ("word", "cautions"),
    [
        ("lever", {"scald", "limit-ring"}),
        ("thermostat", {"scald", "cold-fail-test"}),
        ("Sensor", {"electric", "leads"}),
    ],
)
def test_dangers_come_with_their_class(word, cautions):
    blocks = [block for block in T.classes.values() if word.lower() in block.name.lower()]
    assert blocks
    assert all(cautions <= set(block.cautions) for block in blocks)


def test_only_sourced_values_gate():
    """Common practice and memory of the trade never rule a replacement row out."""
    for row in T.candidates.values():
        assert row.confidence != "H" or row.evidence in ("standard", "official", "handbook"), row.id


def test_reference_by_name_and_by_own_diameter():
    assert T.reference("eur-1").thickness_mm == 2.33
    assert T.reference("coin:24.26").rim_mm == 24.26
    assert T.reference("coin:24,26").diameter_mm == 24.26


@pytest.mark.parametrize("name", ["eur-7", "", "coin:", "coin:abc", "coin:5", "coin:300", "coin:nan", "coin:-20"])
def test_an_unknown_reference_is_refused(name):
    with pytest.raises(UsageError):
        T.reference(name)


def test_tables_are_read_once_and_named_by_their_bytes(tmp_path):
    assert tables.load() is T
    assert T.version == tables.version()
    assert len(T.version) == 12
    copy = _copy(tmp_path)
    assert tables.version(copy) == T.version
    (copy / "settings.toml").write_text((copy / "settings.toml").read_text() + "\n")
    assert tables.version(copy) != T.version


def _copy(folder: Path) -> Path:
    copy = folder / "tables"
    copy.mkdir()
    for path in [*tables.FOLDER.glob("*.csv"), *tables.FOLDER.glob("*.toml")]:
        shutil.copy(path, copy / path.name)
    return copy


def test_shipped_tables_are_sound():
    assert tables.check() == ()


BROKEN = [
    (
        "references.csv",
        "eur-1c,EUR",
        "eur-2,EUR",
        "references.csv:9:1 (id): 'eur-2' is already in references.csv, line 2.",
    ),
    ("references.csv", "16.25,", "16.2S,", "references.csv:2:7 (diameter_mm): '16.2S' is not a number."),
    ("references.csv", "16.25,", "-16.25,", "references.csv:2:7 (diameter_mm): '-16.25' is not above zero."),
    ("references.csv", "16.25,", "nan,", "references.csv:2:7 (diameter_mm): 'nan' is not a finite number."),
    (
        "references.csv",
        "coin,round,16.25",
        "coin,round,",
        "references.csv:2:7 (diameter_mm): is empty; a coin needs it.",
    ),
    ("references.csv", "coin,round,16.25", "token,round,16.25", "references.csv:2:5 (kind): 'token' is not one of"),
    ("references.csv", "eu-975-98", "eu-975", "references.csv:2:16 (source): no source 'eu-975'."),
    ("references.csv", "1.67,no,A", "1.67,nein,A", "references.csv:2:12 (ringed): 'nein' is not yes or no."),
    ("references.csv", "official,H", "official,H,H", "references.csv:2:19: 19 cells, the header has 18."),
    ("references.csv", "id,currency", "id,money", "references.csv:1:2 (money): unknown column; known: id, currency"),
    ("references.csv", "eur-1c,EUR", ",EUR", "references.csv:2:1 (id): is empty; a value is needed."),
    ("threads.csv", "9.514,9.728", "9.828,9.728", "threads.csv:2:10 (od_min_mm): 9.828 is above od_max_mm = 9.728."),
    (
        "threads.csv",
        "9.147,8.566",
        "8.147,8.566",
        "threads.csv:2:9 (minor_mm): 8.566 is above pitch_diameter_mm = 8.147.",
    ),
    ("threads.csv", ",28,", ",28.5,", "threads.csv:2:7 (tpi): '28.5' is not a whole number."),
    ("heads.csv", ",G1/2,", ",G1/3,", "heads.csv:2:7 (thread): no thread 'G1/3'."),
    ("heads.csv", "compression-screw,", "screw,", "heads.csv:2:2 (class_id): no class 'screw'."),
    ("heads.csv", "spindle=exposed;", "spindle exposed;", "heads.csv:2:5 (attributes): 'spindle exposed' is not a new"),
    ("cartridges.csv", "body_diameter=25+-0.3", "body=25+-0.3", "cartridges.csv:2:8 (ranges): no quantity 'body'."),
    (
        "cartridges.csv",
        "body_diameter=25+-0.3",
        "body_diameter=26..25",
        "cartridges.csv:2:8 (ranges): body_diameter: least",
    ),
    ("cartridges.csv", "body_diameter=25+-0.3", "body_diameter=25", "cartridges.csv:2:8 (ranges): '25' is neither"),
    (
        "garden.csv",
        "garden-gland",
        "screw-g1/2-exposed",
        "heads.csv:2:1 (id): 'screw-g1/2-exposed' is already in garden.csv",
    ),
    ("checks.csv", "flat|raised,", "flat|hollow,", "checks.csv:7:8 (answers): base is never 'hollow'."),
    ("checks.csv", "flat|raised,", "flat,", "checks.csv:7:8 (answers): a choice needs two answers or more."),
    (
        "checks.csv",
        "agree|differ,differ",
        "agree|differ,rust",
        "checks.csv:11:9 (stops): 'rust' is none of the answers.",
    ),
    ("conversions.csv", "size_pattern", "pattern", "conversions.csv:2:4 (attribute): no check decides 'pattern'."),
    (
        "conversions.csv",
        "15 light|20 heavy",
        "15 small",
        "conversions.csv:2:7 (fails): size_pattern is never '15 small'.",
    ),
    ("confusables.csv", "thread-pitch", "pitch-gauge", "confusables.csv:2:10 (check): no check 'pitch-gauge'."),
    ("faults.csv", ",isolate,", ",isolation,", "faults.csv:2:5 (cautions): no caution 'isolation'."),
    (
        "faults.csv",
        "screw-drips,",
        "screw-drip,",
        "faults.csv:2:1 (id): 'screw-drip' has no cause in fault_causes.csv.",
    ),
    ("fault_causes.csv", ",screw-drips,1", ",screw-drip,1", "fault_causes.csv:2:2 (fault): no fault 'screw-drip'."),
    ("fault_causes.csv", ",screw-drips,1", ",screw-drips,2", "fault_causes.csv:2:3 (rank): 2 is out of order; 1 is"),
    ("fault_causes.csv", "packing=gland", "packing=clay", "fault_causes.csv:6:5 (applies): packing is never 'clay'."),
    (
        "fault_causes.csv",
        "New washer of the same diameter, one only.",
        "",
        "fault_causes.csv:2:7 (remedy): is empty; a value is needed.",
    ),
    ("conversions.csv", "size_pattern,no", "size_pattern,nein", "conversions.csv:2:5 (by_depth): 'nein' is not yes or"),
    ("water.csv", "10,999.85", "4,999.85", "water.csv:3:2 (temperature_c): 4 is out of order after the row before it."),
    ("scald.csv", ",7200,", ",72000,", "scald.csv:3:3 (seconds): 72000 is out of order after the row before it."),
    ("pipes.csv", "13.6", "-13.6", "pipes.csv:2:3 (bore_mm): '-13.6' is not above zero."),
    ("draw_offs.csv", "0.2,0.15", "0.2,1.5", "draw_offs.csv:3:4 (least_l_s): 1.5 is above flow_l_s = 0.2."),
    ("set_temperatures.csv", "38,40", "38,30", "set_temperatures.csv:2:3 (set_c): 38 is above stabilised_c = 30."),
    ("limits.toml", "value = 2.0", 'value = "two"', "limits.toml:5:1 (value): 'two' is not a number."),
    ("inputs.toml", "low = 0\n", "low = 200\n", "inputs.toml:6:1 (low): 200 is above high = 100."),
    ("calculators.toml", '"competent-setting"', '"setting"', "calculators.toml:7:1 (cautions): no caution 'setting'."),
    (
        "calculators.toml",
        'source = "energy-balance"',
        'source = "energy"',
        "calculators.toml:8:1 (source): no source 'energy'.",
    ),
    ("classes.toml", "part = true", "party = true", "classes.toml:8:1 (party): unknown key in [compression-screw]."),
    ("classes.toml", "height_mm = 40.0", "height_mm = 0", "classes.toml:12:1 (height_mm): 0 is not above zero."),
    (
        "classes.toml",
        'quantities = ["',
        'quantities = ["width", "',
        "classes.toml:9:1 (quantities): no quantity 'width'.",
    ),
    ("classes.toml", "[quarter-turn-ceramic]", "[compression-screw]", "classes.toml:21:19: cannot declare"),
    ("settings.toml", "value = 0.10", 'value = "much"', "settings.toml:4:1 (value): 'much' is not a number."),
    ("settings.toml", "value = 0.10", "value = ", "settings.toml:4:9: invalid value."),
    ("settings.toml", "[other_share]", "stray = 1\n[other_share]", "settings.toml:3:1 (stray): stands outside a block"),
    ("sources.toml", 'kind = "standard"', 'kind = "rumour"', "sources.toml:7:1 (kind): 'rumour' is not one of"),
    ("quantities.toml", "low = 5", "low = 500", "quantities.toml:7:1 (low): 500 is above high = 65."),
]


@pytest.mark.parametrize(("file", "old", "new", "message"), BROKEN)
def test_a_broken_table_is_refused_with_its_place(tmp_path, file, old, new, message):
    copy = _copy(tmp_path)
    text = (copy / file).read_text()
    assert old in text
    (copy / file).write_text(text.replace(old, new, 1))
    assert any(problem.startswith(message) for problem in tables.check(copy)), tables.check(copy)
    with pytest.raises(TableError):
        tables.load(copy)


@pytest.mark.parametrize("file", ["references.csv", "classes.toml", "sources.toml"])
def test_a_missing_file_is_named(tmp_path, file):
    copy = _copy(tmp_path)
    (copy / file).unlink()
    assert f"{file}:1:1: the file is missing." in tables.check(copy)


@pytest.mark.parametrize(
    ("parse", "cell"),
    [
        (number, "1e999"),
        (number, True),
        (number, None),
        (yes_no, 1),
        (ranges, "a"),
        (word_lists, "a=1; a=2"),
        (ranges, "a=1..x"),
    ],
)
def test_a_cell_of_the_wrong_kind_is_refused(parse, cell):
    with pytest.raises(ValueError, match="is not"):
        parse(cell)


def test_a_new_coin_is_one_row(tmp_path):
    copy = _copy(tmp_path)
    with (copy / "references.csv").open("a") as file:
        file.write("nok-1,NOK,NO,1 krone,coin,round,21.00,,,,1.70,no,A,0.05,hole of 4 mm,from-memory,from memory,M\n")
    assert tables.load(copy).reference("nok-1").diameter_mm == 21.0


@pytest.mark.parametrize("name", show.names())
def test_every_table_prints_all_its_rows_with_their_sources(name):
    text = show.lines(name)
    rows = getattr(T, name).values() if hasattr(T, name) else [r for r in T.candidates.values() if r.id in text]
    assert rows
    assert all(row.id in text for row in rows)
    for row in rows:
        source = getattr(row, "source", None)
        assert source is None or T.sources[source].title in text


def test_an_unknown_table_is_refused():
    with pytest.raises(UsageError, match="No table 'coins'"):
        show.lines("coins")


@pytest.mark.parametrize("package", ["tables", "rules"])
def test_no_name_of_the_tables_stands_in_the_code(package):
    names = {*T.classes, *T.references, *T.threads, *T.candidates, *T.faults, *T.checks, *T.cautions}
    names -= {"card", "ruler", "sheet"}  # also the kinds of reference object
    folder = Path(tables.FOLDER).parent / package
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert node.value not in names, f"{path.name}:{node.lineno}"
