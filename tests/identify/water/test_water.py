"""The calculators against published examples, standards, a property library, and exact relations."""

import math
from itertools import pairwise

import pytest
from CoolProp.CoolProp import PropsSI

from identify import tables, water
from identify.errors import UsageError
from identify.water.mixing import hot_share, mixed_temperature_c
from identify.water.scald import doubled_s, exposure_s
from identify.water.surge import Tube, joukowsky_pa, michaud_pa, water_at, wave_speed_m_s
from identify.water.velocity import velocity_m_s

T = tables.load()
BAR_3_GAUGE_PA = 4.01325e5


def figure(result: water.Result, start: str) -> float:
    return next(one.value for one in result.figures if one.name.startswith(start))


# --- mixing: K26; no published worked example was found, so the balance is checked by enthalpies too


def test_mixed_temperature_of_two_flows():
    """K26: 0.10 l/s at 60 °C and 0.05 l/s at 15 °C give (6.0 + 0.75) / 0.15 = 45 °C."""
    assert mixed_temperature_c(60, 15, 0.10, 0.05) == pytest.approx(45.0, abs=0.01)
    assert figure(water.mixed(60, 15, hot_flow_l_s=0.10, cold_flow_l_s=0.05), "mixed") == pytest.approx(45.0, abs=0.01)


@pytest.mark.parametrize(
    ("hot", "cold", "blend", "share", "parts"),
    [
        (60, 15, 41, 0.5778, 1.368),  # K26
        (60, 10, 38, 0.5600, 1.273),
        (65, 20, 41, 0.4667, 0.875),
        (55, 20, 41, 0.6000, 1.500),
        (50, 20, 41, 0.7000, 2.333),
    ],
)
def test_share_of_hot_water(hot, cold, blend, share, parts):
    assert hot_share(blend, hot, cold) == pytest.approx(share, abs=0.0001)
    assert mixed_temperature_c(hot, cold, share, 1 - share) == pytest.approx(blend, abs=0.01)
    if hot >= blend + 10:
        assert figure(water.mixed(hot, cold, set_c=blend), "parts") == pytest.approx(parts, abs=0.001)


@pytest.mark.parametrize(("hot", "cold"), [(70, 5), (60, 15), (65, 20), (50, 20)])
@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_the_balance_agrees_with_enthalpies(hot, cold, share):
    """IAPWS-95 enthalpies (CoolProp) at 3 bar gauge: by mass within 0.03 °C, by volume within the 0.4 °C told."""
    h_hot, h_cold = (PropsSI("H", "T", t + 273.15, "P", BAR_3_GAUGE_PA, "Water") for t in (hot, cold))
    d_hot, d_cold = (PropsSI("D", "T", t + 273.15, "P", BAR_3_GAUGE_PA, "Water") for t in (hot, cold))
    found = mixed_temperature_c(hot, cold, share, 1 - share)
    for by_mass, tolerance in ((share, 0.03), (share * d_hot / (share * d_hot + (1 - share) * d_cold), 0.4)):
        enthalpy = by_mass * h_hot + (1 - by_mass) * h_cold
        blend = PropsSI("T", "H", enthalpy, "P", BAR_3_GAUGE_PA, "Water") - 273.15
        assert found == pytest.approx(blend, abs=tolerance)
    assert "0.4 °C" in T.calculators["mixed"].leaves_out


@pytest.mark.parametrize(
    ("hot", "set_c", "words"),
    [
        (60, 41, "thermostatic valve too"),
        (51, 41, "thermostatic valve too"),  # exactly 10 °C: the usual least for a fail-safe shut-off
        (50.9, 41, "not of a thermostatic"),
        (41, 41, "not of a thermostatic"),
        (40.9, 41, "Out of reach"),
        (60, 14, "Out of reach"),
    ],
)
def test_reach_of_the_set_point(hot, set_c, words):
    assert words in water.mixed(hot, 15, set_c=set_c).verdict


@pytest.mark.parametrize(
    ("use", "set_c", "word"), [("shower", 41, "within"), ("shower", 42, "above"), ("bath", 44, "no safe bathing")]
)
def test_set_point_against_its_use(use, set_c, word):
    assert any(word in reason for reason in water.mixed(60, 15, set_c=set_c, use=use).reasons)


# --- scald: K16, K17, K18

# Printed times to a burn, °F or °C as printed and s: a table of second- and third-degree burns, the text of a US
# consumer safety commission, a hospital's page, a burn foundation's text, and pages that quote Moritz and Henriques.
PRINTED = [
    *[(44, 6 * 3600), (45, 2 * 3600), (45, 3 * 3600), (47, 20 * 60), (47, 45 * 60), (48, 15 * 60), (48, 20 * 60)],
    *[(49, 8 * 60), (49, 10 * 60), (49, 5 * 60), (51, 2 * 60), (51, 4.2 * 60), (51.7, 90), (54.4, 30), (55, 17)],
    *[(55, 30), (56, 15), (57.2, 10), (60, 3), (60, 5), (60, 6), (65.6, 2), (65.6, 1.5), (68.3, 1)],
]


@pytest.mark.parametrize(("temperature", "seconds"), PRINTED)
def test_no_printed_time_is_shorter_than_ours(temperature, seconds):
    """K16: the shortest printed figure stands in the table, and none between its rows is undercut."""
    assert exposure_s(temperature, T) <= seconds


@pytest.mark.parametrize(
    ("temperature", "least", "most"), [(60, 0, 5), (55, 0, 30), (49, 300, 600), (44, 6 * 3600, 6 * 3600)]
)
def test_scald_times_of_the_check_values(temperature, least, most):
    """K16: 60 °C within 5 s, 55 °C within 30 s, 49 °C within 5 to 10 min, 44 °C within 6 h."""
    assert least <= exposure_s(temperature, T) <= most


def test_hotter_is_sooner():
    times = [exposure_s(44 + 0.1 * step, T) for step in range(260)]
    assert all(later <= sooner for sooner, later in pairwise(times))
    assert exposure_s(43.9, T) is None


def test_each_degree_doubles_the_rate():
    """K17: 6 h at 44 °C halved for each degree is 337.5 s at 50 °C (Moritz and Henriques, 1947, as quoted)."""
    assert doubled_s(50, T) == pytest.approx(337.5, abs=1)
    assert doubled_s(43.9, T) is None
    assert doubled_s(51.1, T) is None
    assert all(exposure_s(t, T) <= doubled_s(t, T) for t in range(44, 52))


@pytest.mark.parametrize(
    ("row", "fahrenheit"),
    [("45", 113), ("47", 116.6), ("48", 118.4), ("49", 120), ("51", 124), ("55", 131), ("60", 140), ("65", 150)],
)
def test_celsius_of_the_printed_fahrenheit(row, fahrenheit):
    """K18: (F - 32) / 1.8; the table prints 48.9 as 49 and 51.1 as 51."""
    assert T.scald[f"scald-{row}"].temperature_c == pytest.approx((fahrenheit - 32) / 1.8, abs=0.12)


def test_a_limit_ring_is_no_thermostat():
    with_ring, without = water.cold_fails(60, set_c=41), water.cold_fails(60)
    assert figure(with_ring, "outlet") == figure(without, "outlet") == 60
    assert figure(with_ring, "shortest") == figure(without, "shortest")
    assert any("ring is no thermostat" in caution.text for caution in with_ring.cautions)
    assert "no burn time" in water.cold_fails(43).verdict
    assert "within 1 s" in water.cold_fails(75).verdict


# --- surge: K19, K20, K21, K25


def test_published_surge_example():
    """K19, K20: public worked example of a 1000 m pipe: a = 1191.4 m/s, 2 L/a = 1.679 s, rapid head 242.9 m, gradual
    81.5 m = 8.00 bar. Its v = 2 m/s and t = 5 s are inferred from these four figures.
    """
    rapid = water.surge(1000, wave_m_s=1191.4, velocity=2)
    assert figure(rapid, "surge as a head") == pytest.approx(242.9, abs=0.1)
    assert figure(rapid, "time of the wave") == pytest.approx(1.679, abs=0.001)
    slow = water.surge(1000, wave_m_s=1191.4, velocity=2, closing_s=5)
    assert figure(slow, "surge as a head") == pytest.approx(81.5, abs=0.1)
    assert michaud_pa(1000, 1000, 2, 5) / 1e5 == pytest.approx(8.00, abs=0.01)


def test_wave_speed_of_that_example():
    """K = 2.2 GPa, E = 200 GPa (printed) and D/e = 50 (inferred) give its 1191.4 m/s."""
    sound = math.sqrt(2.2e9 / 1000)
    assert wave_speed_m_s(1000, sound, Tube(500, 10, 200)) == pytest.approx(1191.4, abs=0.1)


def test_second_published_output():
    """Output of a public water-hammer calculator: a = 1342.86 m/s, instant 2685.72 kPa, critical time 0.2234 s, gradual
    600 kPa. Its v = 2 m/s, L = 150 m and t = 1 s follow from these with water of 1000 kg/m³.
    """
    assert joukowsky_pa(1000, 1342.86, 2) == pytest.approx(2685.72e3, abs=10)
    assert figure(water.surge(150, wave_m_s=1342.86, velocity=2), "time of the wave") == pytest.approx(0.2234, abs=1e-4)
    assert michaud_pa(1000, 150, 2, 1) == pytest.approx(600e3, abs=1)


@pytest.mark.parametrize("pipe", list(T.pipes))
@pytest.mark.parametrize("length", [0.5, 10, 300])
def test_rapid_and_slow_closing_meet(pipe, length):
    """At t = 2 L / a Michaud's rule is Joukowsky's surge exactly."""
    tube = water.tube_of(pipe, T)
    rapid = water.surge(length, tube=tube, flow_l_s=0.2)
    period = figure(rapid, "time of the wave")
    after = water.surge(length, tube=tube, flow_l_s=0.2, closing_s=period * (1 + 1e-9))
    assert figure(after, "surge") == pytest.approx(figure(rapid, "surge"), rel=1e-6)
    assert ("rapid" in rapid.verdict, "slow" in after.verdict) == (True, True)
    twice = water.surge(length, tube=tube, flow_l_s=0.2, closing_s=2 * period)
    assert figure(twice, "surge") == pytest.approx(figure(rapid, "surge") / 2, rel=1e-9)


def test_a_rigid_pipe_carries_sound_and_a_soft_one_is_slower():
    """Korteweg's formula with E without end is the speed of sound; a stiffer wall is faster."""
    density, sound = water_at(20, T)
    assert wave_speed_m_s(density, sound, Tube(20, 1, 1e12)) == pytest.approx(sound, rel=1e-6)
    speeds = [wave_speed_m_s(density, sound, Tube(20, 1, modulus)) for modulus in (0.8, 3, 120, 200)]
    assert speeds == sorted(speeds)
    assert speeds[-1] < sound


@pytest.mark.parametrize("celsius", [5, 7.5, 10, 15, 20, 25, 33, 40, 45, 50, 57, 60, 65, 70])
def test_water_agrees_with_a_property_library(celsius):
    """IAPWS-95 (CoolProp) at 3 bar gauge; rows to their last digit, between rows within a fraction of a percent."""
    density, sound = water_at(celsius, T)
    row = celsius in [one.temperature_c for one in T.water.values()]
    kelvin = celsius + 273.15
    expected = [PropsSI(key, "T", kelvin, "P", BAR_3_GAUGE_PA, "Water") for key in ("D", "A")]
    assert density == pytest.approx(expected[0], abs=0.006 if row else 0.3)
    assert sound == pytest.approx(expected[1], abs=0.06 if row else 3.0)


def test_water_of_the_check_value():
    """K21: 998.34 kg/m³ and 1482.8 m/s (IAPWS-95), 1483.9 m/s (IAPWS-97) at 20 °C and 3 bar gauge."""
    density, sound = water_at(20, T)
    assert density == pytest.approx(998.34, abs=0.01)
    assert sound == pytest.approx(1482.8, abs=1.5)
    assert sound == pytest.approx(1483.9, abs=1.5)


def test_bulk_modulus_is_not_three_times_too_large():
    """K25: 300,000 psi is 2.068 GPa (1 psi = 6894.757 Pa), not the 6.07 GPa that one page prints."""
    density, sound = water_at(20, T)
    assert 300_000 * 6894.757 == pytest.approx(2.0684e9, abs=1e6)
    assert density * sound**2 == pytest.approx(300_000 * 6894.757, rel=0.1)


@pytest.mark.parametrize(
    ("pipe", "bar"), [("copper-15", 17.5), ("copper-22", 7.8), ("steel-15", 14.1), ("pex-16", 6.3), ("pvc-20", 4.3)]
)
def test_instant_stop_of_a_shower_s_flow(pipe, bar):
    """0.2 l/s stopped at once at 20 °C; reckoned apart from this code from EN 1057 and EN 10255 sizes."""
    assert figure(water.surge(10, tube=water.tube_of(pipe, T), flow_l_s=0.2), "surge") == pytest.approx(bar, abs=0.05)


def test_peak_pressure_is_compared_with_pn_10():
    for closing, word in ((0.0, "above 10 bar"), (1.0, "within 10 bar")):
        found = water.surge(10, tube=water.tube_of("copper-15", T), flow_l_s=0.2, closing_s=closing, static_bar=3)
        assert figure(found, "peak") == pytest.approx(3 + figure(found, "surge"))
        assert any(word in reason for reason in found.reasons)


# --- velocity: K22


@pytest.mark.parametrize(
    ("flow", "speed", "words"),
    [(0.2, 1.38, "within the limits"), (0.3, 2.07, "connection pipe"), (0.6, 4.13, "too fast")],
)
def test_velocity_against_en_806_3(flow, speed, words):
    """K22: 15 x 0.7 copper; EN 806-3:2006, 4.4: 2.0 m/s in service pipes, 4.0 m/s in a connection to one fitting."""
    found = water.velocity(flow, water.tube_of("copper-15", T).bore_mm)
    assert figure(found, "velocity") == pytest.approx(speed, abs=0.01)
    assert words in found.verdict


@pytest.mark.parametrize(("bore", "litres"), [(10, 0.5), (13.6, 0.2), (100, 8)])
def test_velocity_fills_the_pipe(bore, litres):
    """A second's length of the pipe holds a second's flow: exact geometry."""
    metres = velocity_m_s(litres, bore)
    assert metres * math.pi * (bore / 2000) ** 2 * 1000 == pytest.approx(litres, rel=1e-12)


def test_draw_offs_of_en_806_3():
    """EN 806-3:2006, table 2: draw-off flow, least flow [l/s], loading units."""
    found = [(row.flow_l_s, row.least_l_s, row.loading_units) for row in T.draw_offs.values()]
    light, heavy = [(0.1, 0.1, 1), (0.2, 0.15, 2), (0.3, 0.15, 3), (0.4, 0.3, 4)], [(0.5, 0.4, 5), (0.8, 0.8, 8)]
    assert found == [*light, *heavy, (1.5, 1.0, 15)]


# --- limits: K23, K24


def test_set_temperatures_of_the_guidance_note():
    """K23: NHS Estates Health Guidance Note: bidet 38, shower and basin 41, bath 44; at the site test 40, 43, 46."""
    rows = [T.set_temperatures[name] for name in ("bidet", "shower", "basin", "bath")]
    assert [row.set_c for row in rows] == [38, 41, 41, 44]
    assert [row.stabilised_c for row in rows] == [40, 43, 43, 46]
    assert max(row.set_c for row in T.set_temperatures.values()) == 46  # never above, in the same sheets


def test_limits_of_sensor_taps():
    """K24: EN 15091, table 2, type 1: latching at most 8 bar advised, 0.5 bar least; 75 °C limit, 65 °C advised."""
    names = ("latching_pressure", "monostable_pressure", "sensor_least_pressure")
    assert [T.limit(name) for name in names] == [8, 10, 0.5]
    assert (T.limit("sensor_most_temperature"), T.limit("sensor_temperature")) == (75, 65)


@pytest.mark.parametrize(("metres", "word"), [(1, "within"), (10, "within"), (10.1, "too long"), (25, "too long")])
def test_leads_by_common_practice(metres, word):
    assert word in water.lead(metres).verdict


# --- every result


RESULTS = [
    water.mixed(60, 15, set_c=41),
    water.cold_fails(60),
    water.surge(10, wave_m_s=1300, velocity=1),
    water.velocity(0.2, 13.6),
    water.lead(8),
]


@pytest.mark.parametrize("result", RESULTS, ids=lambda result: result.name)
def test_every_result_tells_formula_source_inputs_and_cautions(result):
    assert result.formula
    assert result.leaves_out
    assert result.source
    assert result.inputs
    assert result.figures
    assert T.cautions["local-code"].text in [caution.text for caution in result.cautions]
    assert len(RESULTS) == len(T.calculators)


COPPER = Tube(13.6, 0.7, 120)
WRONG = [
    (lambda: water.mixed(140, 60, set_c=110), "140 °C is no temperature of the hot supply"),
    (lambda: water.mixed(60, 15, set_c=105), "105 °C is no set temperature"),
    (lambda: water.mixed(15, 60, set_c=41), "swap them"),
    (lambda: water.mixed(60, 60, set_c=60), "swap them"),
    (lambda: water.mixed(60, 15), "Give the set temperature"),
    (lambda: water.mixed(60, 15, hot_flow_l_s=0.1), "Give the set temperature"),
    (lambda: water.mixed(60, 15, set_c=41, cold_flow_l_s=0.1), "both the hot and the cold flow"),
    (lambda: water.mixed(60, 15, hot_flow_l_s=0, cold_flow_l_s=0), "Both flows are 0"),
    (lambda: water.mixed(60, 15, hot_flow_l_s=-1, cold_flow_l_s=1), "-1 l/s"),
    (lambda: water.mixed(60, 15, set_c=41, use="sauna"), "sauna"),
    (lambda: water.mixed(math.nan, 15, set_c=41), "nan °C"),
    (lambda: water.cold_fails(math.inf), "inf °C"),
    (lambda: water.surge(10), "either the pipe or its wave speed"),
    (lambda: water.surge(10, tube=COPPER, wave_m_s=1200, velocity=1), "either the pipe or its wave speed"),
    (lambda: water.surge(10, tube=COPPER), "either the flow or the velocity"),
    (lambda: water.surge(10, tube=COPPER, flow_l_s=0.2, velocity=1), "either the flow or the velocity"),
    (lambda: water.surge(10, wave_m_s=1200, flow_l_s=0.2), "needs the pipe"),
    (lambda: water.surge(0, tube=COPPER, velocity=1), "0 m is no length"),
    (lambda: water.surge(10, tube=COPPER, velocity=0), "0 m/s is no velocity"),
    (lambda: water.surge(10, tube=COPPER, velocity=1, closing_s=-1), "-1 s is no closing time"),
    (lambda: water.surge(10, tube=COPPER, velocity=1, temperature_c=90), "90 °C"),
    (lambda: water.surge(10, tube=Tube(0, 1, 120), velocity=1), "0 mm is no bore"),
    (lambda: water.surge(10, tube=Tube(13.6, 0.7, 120000), velocity=1), "MPa"),
    (lambda: water.tube_of("lead-pipe", T), "copper-15"),
    (lambda: water.velocity(12, 13.6), "l/min"),
    (lambda: water.velocity(0.2, 0.5), "inches"),
    (lambda: water.lead(8000), "millimetres"),
]


@pytest.mark.parametrize(("call", "said"), WRONG)
def test_wrong_input_is_one_sentence_with_its_value(call, said):
    with pytest.raises(UsageError) as caught:
        call()
    assert said in str(caught.value)
    assert str(caught.value).endswith(".")
