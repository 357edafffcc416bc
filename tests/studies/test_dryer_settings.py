"""Settings of dryers against a dense grid of plain predictions, weighed by a few lines of their own.

Coarse pellets in a thin bed, so that a prediction takes a tenth of a second. The grid is of `predict` alone; where
it meets the target between two of its nodes is found by bisection on predictions.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from studies.pig_pellets import BATCH
from studies.pig_pellets import FEED as HEAD
from studies.set_so import set_so

import coolsim
from coolsim.case.case import Case
from coolsim.machines import dryers as dials
from coolsim.scenario import loads
from coolsim.studies.optimise.march_outcomes import OUTCOMES, marched
from coolsim.support.errors import InputError

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
"""
LIMITS = '[limits]\ninlet_air_temperature = ["50 degC", "110 degC"]\n'
TIMED = LIMITS + 'duration = ["5 min", "60 min"]\n'
KWH = 3.6e6
POINT = 0.01


def mass_of(case: Case) -> float:
    """kg of wet feed that Energy counts: a batch, or an hour of a belt."""
    c, feed = case.cooler, case.feed
    if c.arrangement == "batch":
        return feed.bulk_density * c.floor_area * c.bed_depth
    return 3600 * feed.throughput


def cost(case: Case, heat: float, fan: float, moisture: float) -> float:
    """Per tonne, by hand: 0.06 and 0.15 for a kWh, 0.4 for each kg that leaves less than at 13 %."""
    sold = 820 / (1 - min(moisture, 0.13))  # of a tonne with 18 % water, 820 kg are solid
    energy = 1000 / mass_of(case) * (0.06 * heat + 0.15 * fan) / KWH
    return energy + 0.4 * (820 / 0.87 - sold)


def cost_of(case: Case, result: coolsim.Result) -> float:
    return cost(case, result.energy.heat, result.energy.fan, float(result.pellets_out.moisture_wb))


def cheapest_time(case: Case, grid: np.ndarray, knob: str) -> float:
    """Least cost over a grid of one knob, each dried for just as long as the target takes (bisection)."""
    case = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler))
    low, high = np.full(len(grid), 300.0), np.full(len(grid), 3600.0)
    for _ in range(11):
        middle = 0.5 * (low + high)
        states = [
            dials.with_settings(case, {knob: float(v), "duration": float(t)}) for v, t in zip(grid, middle)
        ]
        wet = coolsim.predict(states).pellets_out.moisture_wb > 0.13
        low, high = np.where(wet, middle, low), np.where(wet, high, middle)
    states = [dials.with_settings(case, {knob: float(v), "duration": float(t)}) for v, t in zip(grid, high)]
    out = coolsim.predict(states)
    M = out.pellets_out.moisture_wb
    costs = [cost(case, h, f, m) for h, f, m in zip(out.energy.heat, out.energy.fan, M)]
    return min(c for c, m in zip(costs, M) if m <= 0.13)


@pytest.fixture(scope="module")
def batch():
    case = loads(HEAD + BATCH + TIMED)
    return case, coolsim.find_settings(case, on_dial=False)


@pytest.fixture(scope="module")
def belt():
    case = loads(HEAD + BELT + LIMITS + 'bed_depth = ["6 cm", "20 cm"]\n')
    return case, coolsim.find_settings(case, on_dial=False)


@pytest.fixture(scope="module")
def unreachable():
    text = HEAD.replace('"13 %"', '"5 %"') + BATCH + LIMITS + 'maximum_pellet_temperature = "140 degC"\n'
    case = loads(text)
    return case, coolsim.find_settings(case, on_dial=False)


@pytest.mark.parametrize("dryer", ["batch", "belt"])
def test_predicting_at_the_settings_gives_the_answer(dryer, request):
    case, answer = request.getfixturevalue(dryer)
    assert answer.met and not answer.broken and not answer.smallest_changes
    there = set_so(case, answer.settings)
    again = coolsim.predict(there)
    assert abs(again.pellets_out.moisture_wb - answer.result.pellets_out.moisture_wb) < 0.02 * POINT
    assert again.pellets_out.moisture_wb <= 0.13 + 1e-8
    assert answer.cost.per_tonne == pytest.approx(cost_of(there, again), rel=1e-6)
    assert answer.cost.total == pytest.approx(0.6 * answer.cost.per_tonne, rel=1e-9)  # of 600 kg/h


@pytest.mark.thorough
def test_a_batch_costs_no_more_than_the_best_of_a_dense_grid(batch):
    case, answer = batch
    least = cheapest_time(case, np.linspace(50.0, 110.0, 25), "inlet_air_temperature")
    assert answer.cost.per_tonne <= 1.005 * least


@pytest.mark.thorough
def test_a_heater_at_its_limit_costs_no_more_than_the_best_of_a_dense_grid():
    """45 kW heat 4000 m³/h of air at 20 °C by some 34 K (1.33 kg/s · 1.01 kJ/(kg K), by hand): above that a set
    temperature changes nothing, and every outcome has a kink there."""
    text = HEAD + BATCH + 'heater_power = "45 kW"\n' + TIMED
    case = loads(text)
    hot = coolsim.predict(dials.with_settings(case, {"inlet_air_temperature": 75.0}))
    assert 50.0 < hot.history.inlet_air_temperature.max() < 56.0
    answer = coolsim.find_settings(case, on_dial=False)
    again = coolsim.predict(set_so(case, answer.settings))
    assert answer.met and again.pellets_out.moisture_wb <= 0.13 + 1e-8
    assert answer.cost.per_tonne == pytest.approx(cost_of(case, again), rel=1e-6)
    grid = np.array([50.0, 51.0, 52.0, 53.0, 54.0, 55.0, 57.0, 80.0, 110.0])
    assert answer.cost.per_tonne <= 1.005 * cheapest_time(case, grid, "inlet_air_temperature")


@pytest.mark.thorough
def test_a_heater_at_its_limit_for_a_given_time_costs_no_more_than_the_best_of_a_dense_grid():
    """As above, with the time given: the least airflow that serves, by bisection, at each set temperature."""
    text = HEAD.replace('"13 %"', '"13.5 %"') + BATCH + 'heater_power = "45 kW"\n' + LIMITS
    case = loads(text + 'airflow = ["2000 m3/h", "6000 m3/h"]\n')
    answer = coolsim.find_settings(case, on_dial=False)
    assert (
        answer.met and coolsim.predict(set_so(case, answer.settings)).pellets_out.moisture_wb <= 0.135 + 1e-8
    )
    grid = np.array([50.0, 52.0, 54.0, 56.0, 60.0, 70.0, 85.0, 110.0])
    low, high = np.full(len(grid), 2000 / 3600), np.full(len(grid), 6000 / 3600)

    def at(airflow):
        return [
            dials.with_settings(case, {"inlet_air_temperature": float(T), "airflow": float(V)})
            for T, V in zip(grid, airflow)
        ]

    for _ in range(10):
        middle = 0.5 * (low + high)
        wet = coolsim.predict(at(middle)).pellets_out.moisture_wb > 0.135
        low, high = np.where(wet, middle, low), np.where(wet, high, middle)
    out = coolsim.predict(at(high))
    # weight lost below 13.5 %, by hand, as in `cost` above
    rows = zip(out.energy.heat, out.energy.fan, out.pellets_out.moisture_wb)
    solid, served = 820.0, out.pellets_out.moisture_wb <= 0.135
    costs = [
        1000 / mass_of(case) * (0.06 * h + 0.15 * f) / KWH
        + 0.4 * (solid / 0.865 - solid / (1 - min(m, 0.135)))
        for h, f, m in rows
    ]
    assert served.any()
    assert answer.cost.per_tonne <= 1.005 * min(c for c, s in zip(costs, served) if s)


@pytest.mark.thorough
def test_a_belt_costs_no_more_than_the_best_of_a_dense_grid(belt):
    """All 25 × 31 states at once on the mesh of `predict` would take minutes: 13 depths, the temperature that just
    serves by bisection."""
    case, answer = belt
    depths = np.linspace(0.06, 0.20, 13)
    low, high = np.full(13, 50.0), np.full(13, 110.0)
    for _ in range(10):
        middle = 0.5 * (low + high)
        M = coolsim.predict(_belts(case, depths, middle)).pellets_out.moisture_wb
        low, high = np.where(M > 0.13, middle, low), np.where(M > 0.13, high, middle)
    states = _belts(case, depths, high)
    out = coolsim.predict(states)
    M = out.pellets_out.moisture_wb
    costs = [cost(states[0], *row) for row in zip(out.energy.heat, out.energy.fan, M)]
    assert answer.cost.per_tonne <= 1.005 * min(c for c, m in zip(costs, M) if m <= 0.13)


def _belts(case: Case, depths: np.ndarray, hottest: np.ndarray) -> list[Case]:
    """The second zone stays 20 K cooler than the first, as in the scenario, the last unheated."""
    first, second, last = case.cooler.zones
    return [
        dataclasses.replace(
            case,
            cooler=dataclasses.replace(
                case.cooler,
                bed_depth=float(L),
                zones=(
                    dataclasses.replace(first, inlet_air_temperature=float(T)),
                    dataclasses.replace(second, inlet_air_temperature=float(T) - 20.0),
                    last,
                ),
            ),
        )
        for L, T in zip(depths, hottest)
    ]


def test_a_belt_is_as_fast_as_its_depth_says(belt):
    """By hand: 600 kg/h of 640 kg/m³ over 1 m by depth L move at 0.9375/L m/h; 7 m of it take 7.467 L hours."""
    _, answer = belt
    s = answer.settings
    assert s.belt_speed == pytest.approx(0.9375 / s.bed_depth / 3600)
    assert s.duration == pytest.approx(7 * s.bed_depth / 0.9375 * 3600)
    assert s.zone_inlet_air_temperature[0] - s.zone_inlet_air_temperature[1] == pytest.approx(20.0)
    assert s.zone_inlet_air_temperature[2] is None


def test_the_window_holds_when_predicted(batch):
    case, answer = batch
    driest, wettest = answer.driest, answer.wettest
    assert driest.moisture_wb < 0.13 < wettest.moisture_wb
    for end in (driest, wettest):
        out = coolsim.predict(set_so(case, end.settings)).pellets_out
        assert abs(out.moisture_wb - end.moisture_wb) < 0.02 * POINT
    assert driest.settings.duration == pytest.approx(3600)
    assert wettest.settings.duration == pytest.approx(300)
    assert driest.settings.inlet_air_temperature == pytest.approx(110)


def test_one_step_holds_when_predicted(batch):
    """The rough mesh's difference is that of `predict` to a twentieth of a point."""
    case, answer = batch
    there = set_so(case, answer.settings)
    air = dataclasses.replace(there.air, temperature=21.0)
    wet = dataclasses.replace(there.feed, moisture=0.19)
    c = there.cooler
    hand = {
        "air outside +1 °C": dataclasses.replace(there, air=air),
        "feed moisture +1 point": dataclasses.replace(there, feed=wet),
        "drying time +1 min": dataclasses.replace(
            there, cooler=dataclasses.replace(c, duration=c.duration + 60)
        ),
        "airflow +5 %": dataclasses.replace(there, cooler=dataclasses.replace(c, airflow=1.05 * c.airflow)),
    }
    said = {step.change: step for step in answer.one_step}
    for name, state in hand.items():
        out = coolsim.predict(state).pellets_out
        assert said[name].moisture_wb == pytest.approx(out.moisture_wb, abs=0.05 * POINT), name
        assert said[name].temperature == pytest.approx(out.temperature, abs=0.3), name


def test_limits_of_pellets_and_evenness_are_kept():
    """Both are set where the cheapest settings without them break them, so that they do bind.

    Dear electricity makes hot air and a short time cheapest; the feed comes in at 60 °C, so less cannot be asked.
    """
    dear = HEAD.replace("0.15 /kWh", "20 /kWh")
    free = coolsim.find_settings(loads(dear + BATCH + TIMED), on_dial=False)
    assert free.result.history.highest_temperature.max() > 65.0
    hottest = float(free.result.history.highest_temperature.max()) - 3.0
    deviation = 0.97 * float(free.result.spread.deviation_wb)
    bound = dear.replace('"13 %"', f'"13 %"\nmaximum_deviation = "{100 * deviation!r} %"') + BATCH + TIMED
    case = loads(bound + f'maximum_pellet_temperature = "{hottest!r} degC"\n')
    answer = coolsim.find_settings(case, on_dial=False)
    assert answer.met
    ends = [
        coolsim.predict(dataclasses.replace(s, cooler=dataclasses.replace(s.cooler, duration=float(t))))
        for s in [set_so(case, answer.settings)]
        for t in np.linspace(0.1, 1.0, 7) * answer.settings.duration
    ]
    assert max(r.profile.pellet_temperature.max() for r in ends) <= hottest + 0.1  # points of another mesh
    assert ends[-1].spread.deviation_wb <= deviation + 1e-8
    assert ends[-1].pellets_out.moisture_wb <= 0.13 + 1e-8
    assert answer.cost.per_tonne >= 0.995 * free.cost.per_tonne  # what the search may miss of the least
    assert {"pellet temperature", "deviation"} & {limit.limit for limit in answer.binding}


def test_an_unreachable_target_names_the_nearest_and_what_would_do(unreachable):
    case, answer = unreachable
    assert not answer.met and [limit.limit for limit in answer.broken] == ["moisture"]
    assert answer.settings.inlet_air_temperature == pytest.approx(110, abs=0.5)  # the driest there is
    there = set_so(case, answer.settings)
    changes = {c.change: c for c in answer.smallest_changes}
    assert set(changes) == {
        *(
            "feed moisture",
            "feed temperature",
            "inlet air temperature",
            "airflow",
            "drying time",
            "recirculation",
            "cooling time",
            "batch mass",  # and the bed is uneven at 5 %: what makes it more even
            "time between reversals",
            "turning of the pellets",
        ),
    }
    longer = changes["drying time"]
    assert longer.unit == "min" and longer.to > 20
    for minutes, dry in ((longer.to, True), (0.97 * longer.to, False)):
        c = dataclasses.replace(there.cooler, duration=60 * minutes)
        M = coolsim.predict(dataclasses.replace(there, cooler=c)).pellets_out.moisture_wb
        assert (M <= 0.05 + 1e-8) is dry
    drier = changes["feed moisture"]
    feed = dataclasses.replace(there.feed, moisture=drier.to / 100)
    assert coolsim.predict(dataclasses.replace(there, feed=feed)).pellets_out.moisture_wb <= 0.05 + 1e-8


@pytest.mark.parametrize(
    "text, expected",
    [
        (BELT + TIMED, {"limits.duration": "residence_time"}),
        (BELT + LIMITS + 'recirculation = ["0 %", "50 %"]\n', {"limits.recirculation": "belt"}),
        (BATCH + "[limits]\nmaximum_lift_off = '70 %'\n", {"limits": "duration"}),
        (
            BATCH + '[limits]\nfan_speed = ["40 %", "100 %"]\n',
            {"limits.fan_speed": "batch", "limits": "airflow"},
        ),
    ],
)
def test_missing_and_foreign_limits_are_told_all_at_once(text, expected):
    with pytest.raises(InputError) as caught:
        coolsim.find_settings(loads(HEAD + text))
    found = {f.key: f.allowed for f in caught.value.faults}
    assert set(found) == set(expected)
    for key, words in expected.items():
        assert words in found[key], found


def test_what_is_not_given_is_named():
    bare = HEAD.split("[target]")[0]
    with pytest.raises(InputError) as caught:
        coolsim.find_settings(loads(bare + BATCH))
    assert {f.key for f in caught.value.faults} == {"target.moisture", "costs.electricity", "limits"}


def test_a_course_passes_through_what_shorter_dryings_give():
    """One march to 20 min against predictions that end at 8 and 20: the rough mesh is right to 0.3 point."""
    case = loads(HEAD + BATCH)
    times = np.array([480.0, 1200.0])
    (course,) = marched([case])
    assert course is not None
    told = course.at(times)
    for k, t in enumerate(times):
        c = dataclasses.replace(case.cooler, duration=float(t))
        r = coolsim.predict(dataclasses.replace(case, cooler=c))
        got = dict(zip(OUTCOMES, told[:, k]))
        assert got["moisture"] == pytest.approx(r.pellets_out.moisture_wb, abs=0.3 * POINT)
        assert got["temperature"] == pytest.approx(r.pellets_out.temperature, abs=1.5)
        assert got["heat"] == pytest.approx(r.energy.heat / mass_of(case), rel=0.01)
        assert got["fan"] == pytest.approx(r.energy.fan / mass_of(case), rel=0.02)
        assert got["exhaust_relative_humidity"] == pytest.approx(r.air_out.relative_humidity, rel=0.05)
