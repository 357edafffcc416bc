"""Sizes of dryers against plain predictions of smaller plants, balances by hand, and the law of scale.

Coarse pellets, so that a prediction takes a tenth of a second; no air is blown in again, so that heat follows from
outside air alone.
"""

from __future__ import annotations

import dataclasses
import functools
import json

import numpy as np
import pytest
from reader_units import strays
from studies import pig_pellets
from studies.pig_pellets import FEED

import coolsim
from coolsim.case.case import Case
from coolsim.scenario import loads
from coolsim.studies.sizing.answer import SizeAnswer
from coolsim.studies.sizing.find import sized
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

BATCH = (
    pig_pellets.BATCH
    + """[schedule]
filling = "4 min"
emptying = "3 min"
dryers = 2
[limits]
duration = ["8 min", "60 min"]
"""
)
BELT = """[cooler]
arrangement = "belt"
belt_width = "1 m"
bed_depth = "10 cm"
[[cooler.zone]]
length = "3 m"
airflow = "4000 m3/h"
inlet_air_temperature = "90 degC"
[[cooler.zone]]
length = "3 m"
airflow = "3000 m3/h"
inlet_air_temperature = "70 degC"
air_direction = "down"
[[cooler.zone]]
length = "1 m"
airflow = "1500 m3/h"
[limits]
"""
TIMES = '[schedule]\nfilling = "4 min"\nemptying = "3 min"\ndryers = 2\n'
# As short as drying takes: `test_least_bed` asks for the least time.
HOT = 'inlet_air_temperature = ["50 degC", "100 degC"]\nminimum_residence_time = "0 s"\n'
SIZING = '[sizing]\nbed_depth = ["6 cm", "20 cm"]\nmargin = "40 %"\nreserve = "0 %"\n'
WEATHERS = """[[sizing.weather]]
name = "cold"
temperature = "5 degC"
relative_humidity = "80 %"
[[sizing.weather]]
name = "warm"
temperature = "30 degC"
relative_humidity = "85 %"
"""
ASKED = {"belt": FEED + BELT + HOT + SIZING + WEATHERS, "batch": FEED + BATCH + HOT + SIZING + WEATHERS}
POINT = 0.01
# The optimum itself; settings on dials cost a little more, and have tests of their own.
exact = functools.partial(coolsim.size, on_dial=False)
TARGET = 0.13
# kW; preferred outputs of small motors as the trade has them (IEC 60072-1; from memory)
MOTORS = (0.12, 0.18, 0.25, 0.37, 0.55, 0.75, 1.1, 1.5, 2.2, 3.0, 4.0, 5.5, 7.5)


@dataclasses.dataclass(frozen=True)
class Sized:
    case: Case
    answer: SizeAnswer


@pytest.fixture(scope="module", params=["belt", "batch"])
def dryer(request) -> Sized:
    case = loads(ASKED[request.param])
    return Sized(case, exact(case))


def floors(answer: SizeAnswer) -> float:
    return answer.floor_area * answer.dryers


def of_floor(case: Case, weather: str, floor: float, depth: float, hot: float) -> Case:
    """A dryer of a floor of all together, set as hot as said, its pellets as long in it as the throughput leaves.

    By hand: what lies on a belt, ρ L S, passes in t = ρ L S/q; batch dryers of ρ L S together are full again after
    t = ρ L S/q, of which 4 min are spent filling and 3 emptying.
    """
    chosen = next(w.air for w in case.sizing.weather if w.name == weather)
    c = case.cooler
    if c.arrangement == "batch":
        left = 500.0 if floor <= 0 else case.feed.bulk_density * depth * floor / case.feed.throughput - 420.0
        cooler = dataclasses.replace(
            c,
            floor_area=floor,
            bed_depth=depth,
            airflow=c.airflow * floor / 4.0,
            duration=left,
            inlet_air_temperature=hot,
        )
    else:
        share = floor / 7.0
        aims = (hot, hot - 20.0, None)  # the second zone is 20 K below the first
        zones = tuple(
            dataclasses.replace(
                z, length=share * z.length, airflow=share * z.airflow, inlet_air_temperature=aim
            )
            for z, aim in zip(c.zones, aims)
        )
        cooler = dataclasses.replace(c, bed_depth=depth, zones=zones)
    return dataclasses.replace(case, air=chosen, cooler=cooler)


def driest(case: Case, weather: str, floor: float) -> float:
    """Of 15 depths, each at the hottest and the longest that is allowed: what dries most, whatever it costs."""
    depths = np.linspace(0.06, 0.20, 15)
    states = [of_floor(case, weather, floor, depth, 100.0) for depth in depths]
    if case.cooler.arrangement == "batch":
        states = [s for s in states if s.cooler.duration >= 480.0]
    return float(coolsim.predict(states).pellets_out.moisture_wb.min())


def test_a_smaller_floor_does_not_serve_the_duty_that_governs(dryer):
    first = dryer.answer.governing[0]
    assert first.part == "floor" and first.weather == "warm"
    smallest = dryer.answer.smallest_floor
    assert driest(dryer.case, "warm", 0.98 * smallest) > TARGET
    assert driest(dryer.case, "warm", 1.005 * smallest) <= TARGET
    assert smallest <= floors(dryer.answer) * (1 + 1e-9)


def test_every_duty_is_served_as_predicted(dryer):
    assert dryer.answer.met and len(dryer.answer.served) == 2
    for s in dryer.answer.served:
        plant = sized(dryer.case, dryer.answer, s)
        result = coolsim.predict(plant)
        assert result.pellets_out.moisture_wb == pytest.approx(s.moisture_wb, abs=0.02 * POINT)
        assert result.pellets_out.moisture_wb <= TARGET
        assert result.pellets_out.temperature == pytest.approx(s.temperature, abs=0.1)
        assert 50.0 <= s.settings.inlet_air_temperature <= 100.0
        assert 0.06 <= s.settings.bed_depth <= 0.20 + 1e-12


def test_cautions_of_the_duties_are_passed_on(dryer):
    """A bed that dries unevenly, or leaves warm, is said with the product and weather in which it is so."""
    said = [w.text for w in dryer.answer.warnings if w.level != "note"]
    for s in dryer.answer.served:
        for w in coolsim.predict(sized(dryer.case, dryer.answer, s)).warnings:
            if w.level != "note":
                words = w.text.split()[0]
                assert any(text.startswith("the feed, ") and f": {words}" in text for text in said)
    assert any("the feed, " in text for text in said)


def test_the_dryer_keeps_up(dryer):
    """By hand, from floor, depth and density alone."""
    answer, feed = dryer.answer, dryer.case.feed
    for s in answer.served:
        on_floor = feed.bulk_density * s.settings.bed_depth * floors(answer)
        around = 420.0 if answer.arrangement == "batch" else 0.0
        assert on_floor / (s.settings.duration + around) >= feed.throughput * (1 - 1e-9)
        if answer.arrangement == "belt":
            assert s.settings.belt_speed == pytest.approx(answer.belt_length / s.settings.duration)


def test_little_is_left_to_save_on_that_floor(dryer):
    """On a grid of plain predictions on the same floor nothing that serves takes much less heat."""
    cost_by_heat = []
    answer, case = dryer.answer, dryer.case
    cold = next(s for s in answer.served if s.weather == "cold")
    for hot in (60.0, 70.0, 80.0, 90.0, 100.0):
        states = [of_floor(case, "cold", floors(answer), d, hot) for d in (0.08, 0.11, 0.14, 0.17, 0.20)]
        states = [s for s in states if s.cooler.arrangement == "belt" or s.cooler.duration >= 480.0]
        result = coolsim.predict(states)
        for state, M, heat in zip(states, result.pellets_out.moisture_wb, result.energy.heat):
            if M <= TARGET:
                mass = 600.0
                if answer.arrangement == "batch":
                    mass = case.feed.bulk_density * state.cooler.floor_area * state.cooler.bed_depth
                lost = 0.82 * (1 / 0.87 - 1 / (1 - M))
                cost_by_heat.append(0.06 * heat / 3.6e6 / mass + 0.4 * lost)
    assert cost_by_heat
    electricity = 0.15 * 0.1  # at most: a grid state's fan takes some, too, which is left out of its cost
    assert cold.cost_per_tonne <= 1e3 * min(cost_by_heat) * 1.01 + electricity * 10


def enthalpy(T: float, Y: float) -> float:
    """kJ per kg of dry air; constants from memory."""
    return 1.006 * T + Y * (2501.0 + 1.86 * T)


def outside(T: float, RH: float) -> tuple[float, float]:
    """Humidity ratio and m³ per kg of dry air at 101325 Pa; Magnus' formula and the gas law, from memory."""
    p = RH * 611.2 * np.exp(17.62 * T / (243.12 + T))
    Y = 0.622 * p / (101325.0 - p)
    return Y, 287.05 * (T + 273.15) * (1 + Y / 0.622) / 101325.0


AIR = {"cold": (5.0, 0.80), "warm": (30.0, 0.85)}


def test_heaters_by_a_balance_of_the_air(dryer):
    """Nothing is blown in again, so a zone's heater warms outside air: dry air times the rise in enthalpy."""
    answer = dryer.answer
    heats = []
    for s in answer.served:
        T, RH = AIR[s.weather]
        Y, volume = outside(T, RH)
        aims = s.settings.zone_inlet_air_temperature or (s.settings.inlet_air_temperature,)
        heats.append(
            [
                0.0 if hot is None else z.airflow / volume * (enthalpy(hot, Y) - enthalpy(T, Y))
                for z, hot in zip(answer.zones, aims)
            ]
        )
    for z, kilowatts in zip(answer.zones, np.max(heats, axis=0)):
        assert (z.heater or 0.0) / 1e3 == pytest.approx(kilowatts, rel=0.01)
    assert answer.heater / 1e3 == pytest.approx(max(sum(row) for row in heats), rel=0.01)
    for s, row in zip(answer.served, heats):
        assert s.heat / 1e3 == pytest.approx(sum(row), rel=0.01)


def test_fans_and_motors(dryer):
    answer = dryer.answer
    for k, z in enumerate(answer.zones):
        flows = []
        for s in answer.served:
            T, _ = AIR[s.weather]
            aims = s.settings.zone_inlet_air_temperature or (s.settings.inlet_air_temperature,)
            hot = T if aims[k] is None else aims[k]
            flows.append(z.airflow * (hot + 273.15) / (T + 273.15))  # the same air, warmer: by the gas law
        assert z.fan.flow == pytest.approx(max(flows), rel=1e-3)
        shaft = z.fan.flow * z.fan.pressure / 0.60 / 1e3
        assert z.fan.shaft_power / 1e3 == pytest.approx(shaft, rel=1e-9)
        assert z.fan.motor / 1e3 == pytest.approx(min(m for m in MOTORS if m >= shaft))
    drop = max(s.pressure_drop for s in answer.served)
    assert max(z.fan.pressure for z in answer.zones) == pytest.approx(1.4 * drop, rel=1e-6)


def test_energy_is_heat_and_fans_of_the_throughput(dryer):
    for s in dryer.answer.served:
        result = coolsim.predict(sized(dryer.case, dryer.answer, s))
        tonnes = 0.6
        if dryer.answer.arrangement == "batch":
            tonnes = dryer.case.feed.bulk_density * dryer.answer.floor_area * s.settings.bed_depth / 1e3
        total = (result.energy.heat + result.energy.fan) / 3.6e6 / tonnes
        assert s.specific_energy == pytest.approx(total, rel=1e-3)


def test_a_reserve_is_floor_in_proportion(dryer):
    """Per floor area and time nothing changes with the throughput: t = ρ L S/q, so S grows with q."""
    case = coolsim.replace(dryer.case, {"sizing.reserve": "20 %"})
    more = exact(case)
    assert more.smallest_floor == pytest.approx(1.2 * dryer.answer.smallest_floor, rel=0.01)
    assert more.heater >= 1.2 * dryer.answer.heater * 0.98
    for s in more.served:
        assert s.load == pytest.approx(1 / 1.2, rel=0.01) or (
            more.arrangement == "batch" and s.load < 1 / 1.2
        )
        result = coolsim.predict(sized(case, more, s))
        assert result.pellets_out.moisture_wb <= TARGET
        if result.schedule is not None:
            assert result.schedule.load == pytest.approx(s.load)
        assert s.chance is None and all(v.met for v in s.verdicts)


def test_twice_the_throughput_takes_twice_the_floor(dryer):
    feed = dataclasses.replace(dryer.case.feed, throughput=2 * dryer.case.feed.throughput)
    double = exact(dataclasses.replace(dryer.case, feed=feed))
    assert floors(double) == pytest.approx(2 * floors(dryer.answer), rel=0.01)
    assert double.heater == pytest.approx(2 * dryer.answer.heater, rel=0.02)


# ---- One weather, to be quick ---------------------------------------------------------------------------


def one(kind: str, *changes: tuple[str, str]) -> Case:
    text = ASKED[kind].split("[[sizing.weather]]")[0]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return loads(text)


def test_a_floor_asked_for_takes_as_many_batch_dryers_as_it_needs():
    case = one("batch", ('margin = "40 %"', 'floor_area = "0.5 m2"'))
    answer = exact(case)
    assert answer.met and answer.floor_area == pytest.approx(0.5)
    assert 0.5 * (answer.dryers - 1) < answer.smallest_floor * 1.01 and answer.dryers > 1
    (served,) = answer.served
    assert coolsim.predict(sized(case, answer, served)).schedule.load <= 1 + 1e-9


def test_a_belt_that_is_too_small_is_told_from_where_on_it_serves():
    answer = exact(one("belt", ('margin = "40 %"', 'floor_area = "0.8 m2"')))
    assert not answer.met and answer.floor_area is None and answer.smallest_floor > 0.8


def test_out_of_reach_names_the_nearest_and_where_it_stands():
    case = one("batch", ('"50 degC", "100 degC"', '"30 degC", "40 degC"'), ('"60 min"', '"12 min"'))
    answer = exact(case)
    assert not answer.met and answer.smallest_floor is None
    (missed,) = answer.missed
    assert missed.driest > TARGET and [x.limit for x in missed.broken] == ["moisture"]
    ends = [x.limit for x in missed.binding]
    assert "inlet air temperature, highest" in ends and "drying time, highest" in ends
    thin = of_floor_alone(case, missed.settings.bed_depth)
    assert coolsim.predict(thin).pellets_out.moisture_wb == pytest.approx(missed.driest, abs=0.05 * POINT)


def of_floor_alone(case: Case, depth: float) -> Case:
    cooler = dataclasses.replace(case.cooler, bed_depth=depth, duration=720.0, inlet_air_temperature=40.0)
    return dataclasses.replace(case, cooler=cooler)


def test_air_and_recirculation_that_are_opened_stay_within_their_ranges():
    """Of the dryer as given 4000 m³/h are on 4 m²: its range of 3000 to 6000 counts per floor area."""
    opened = HOT + 'airflow = ["3000 m3/h", "6000 m3/h"]\nrecirculation = ["0 %", "60 %"]\n'
    case = one("batch", (HOT, opened))
    answer = exact(case)
    (s,) = answer.served
    per_area = 3600 * s.settings.airflow / answer.floor_area
    assert 750 * (1 - 1e-9) <= per_area <= 1500 * (1 + 1e-9)
    assert 0 <= s.settings.recirculation <= 0.6 + 1e-9
    assert coolsim.predict(sized(case, answer, s)).pellets_out.moisture_wb <= TARGET


def even(kind: str, most: str) -> Case:
    return one(kind, ('moisture = "13 %"', f'moisture = "13 %"\nmaximum_deviation = "{most}"'))


@pytest.mark.parametrize("kind", ["belt", "batch"])
def test_a_wish_for_evenness_takes_a_shallower_bed_on_more_floor(kind):
    """The deviation is taken by hand from the layers of a plain prediction, by trapezoids over the depth."""
    answers = [exact(case) for case in (one(kind), even(kind, "1 %"))]
    deviations = []
    for answer in answers:
        (served,) = answer.served
        layers = coolsim.predict(sized(one(kind), answer, served)).layers
        M, z = layers.moisture_wb[-1], layers.height
        mean = np.trapezoid(M, z) / (z[-1] - z[0])
        deviations.append(float(np.sqrt(np.trapezoid((M - mean) ** 2, z) / (z[-1] - z[0]))))
    assert deviations[0] > 1.2 * POINT
    assert deviations[1] == pytest.approx(answers[1].served[0].deviation, rel=0.05)
    assert answers[1].served[0].deviation <= 1.0 * POINT
    assert answers[1].served[0].moisture_wb <= TARGET
    assert answers[1].smallest_floor > 1.05 * answers[0].smallest_floor
    assert answers[1].bed_depth < 0.8 * answers[0].bed_depth


def test_evenness_that_no_bed_has_is_told():
    (missed,) = exact(even("batch", "0.02 %")).missed
    assert [x.limit for x in missed.broken] == ["deviation"] and missed.driest < TARGET


@pytest.mark.parametrize(
    ("kind", "old", "new", "key", "says"),
    [
        ("batch", TIMES, "", "schedule", "no [schedule]"),
        ("batch", 'moisture = "13 %"', 'maximum_deviation = "2 %"', "target.moisture", "nothing"),
        ("batch", 'electricity = "0.15 /kWh"\n', "", "costs.electricity", "nothing"),
        ("belt", HOT, HOT + 'duration = ["8 min", "60 min"]\n', "limits.duration", "a range"),
        ("belt", HOT, HOT + 'airflow = ["0 m3/h", "9000 m3/h"]\n', "limits.airflow", "nothing as the lowest"),
        ("belt", SIZING, "", "sizing", "no [sizing]"),
    ],
)  # fmt: skip
def test_what_is_missing_or_foreign_is_told(kind, old, new, key, says):
    with pytest.raises(InputError) as refused:
        exact(one(kind, (old, new)))
    found = {fault.key: fault.found for fault in refused.value.faults}
    assert [*found] == [key] and says in found[key]


def test_all_faults_are_told_at_once():
    changes = [('electricity = "0.15 /kWh"\n', ""), (HOT, HOT + 'duration = ["8 min", "60 min"]\n')]
    with pytest.raises(InputError) as refused:
        exact(one("belt", *changes))
    assert {fault.key for fault in refused.value.faults} == {"costs.electricity", "limits.duration"}


def test_written_and_printed(dryer):
    from coolsim.output import json as as_json
    from coolsim.output import sizes as printed
    from coolsim.output.page import Page

    document = as_json.size_document(dryer.case, dryer.answer, "a.toml", "0")
    assert json.loads(as_json.text(document))["floor_area_m2"] == dryer.answer.floor_area
    assert len(document["zones"]) == len(dryer.answer.zones)
    assert document["served"][0]["settings"]["bed_depth_m"] == dryer.answer.served[0].settings.bed_depth
    for width in (100, 50):
        for units in ("si", "us"):
            text = printed.sized(dryer.case, dryer.answer, Page(width=width, units=units))
            assert max(map(len, text.splitlines())) <= width
            assert ("m²" if units == "si" else "ft²") in text and "To buy" in text
            assert not strays(text, units)
            assert "no smaller floor" in text and "warm" in text
