"""Settings that keep the machine's limits with a chance: by the normal distribution, and by plain predictions.

One input is open, normal with standard deviation σ (half of a 95 % interval over 1.96). A number y that is near to
linear in it, with slope b by predictions one σ to either side, is normal with standard deviation |b| σ, and stays
below a bound with Φ((bound − y)/(|b| σ)): a chance of 90 % takes 1.2816 of that as room. Up to 2 points more of
chance are left over: how near a search comes (1 point), and what its samples tell (1).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from shipped import level, level_text
from studies.test_sure_dryers import TURNED, exactly_made, there, wished
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.cli import app
from coolsim.scenario import loads
from coolsim.studies.propagation.run import uncertainty
from coolsim.studies.propagation.unknowns import NORMAL_95
from coolsim.studies.settings.chance_constrained import SettingsWithChance, with_chance

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NIGHT = SCENARIOS / "monsoon-night.toml"
SIGMA = 0.15e-3 / NORMAL_95  # of the diameter below, m
ENOUGH = norm.ppf(0.895), norm.ppf(0.92)
Read = Callable[[Result], np.ndarray]


def dry_feed(**limits: str) -> Case:
    """So dry that much air is the cheapest: it is bounded by the limits alone."""
    typed = {"feed.moisture": "11 %", "feed.temperature": "70 degC", "feed.diameter": "3 ± 0.15 mm"}
    return exactly_made(
        coolsim.replace(level("monsoon-night"), typed | {f"limits.{k}": v for k, v in limits.items()})
    )


def of_diameters(at: Case, diameters: np.ndarray) -> Result:
    return coolsim.predict(
        [dataclasses.replace(at, feed=dataclasses.replace(at.feed, diameter=float(d))) for d in diameters]
    )


def fan_speeds(at: Case, diameters: np.ndarray) -> np.ndarray:
    """Of full speed, by the fan's curve itself, one prediction after the other."""
    alone = [dataclasses.replace(at, feed=dataclasses.replace(at.feed, diameter=float(d))) for d in diameters]
    return np.array([coolsim.predict(one).fan.speed for one in alone])


LIMITS = {
    "air speed, share of lifting speed": (
        dry_feed(maximum_lift_off="40 %"),
        0.4,
        lambda at, d: of_diameters(at, d).bed.lift_off,
    ),
    "pressure drop": (
        dry_feed(maximum_bed_pressure_drop="300 Pa"),
        300.0,
        lambda at, d: of_diameters(at, d).bed.pressure_drop,
    ),
    "fan speed": (dry_feed(), 1.0, fan_speeds),
}


@pytest.mark.parametrize("name", LIMITS)
def test_a_limit_of_a_cooler_is_kept_with_the_chance(name: str) -> None:
    """Then 100 plain random diameters: three binomial standard errors are 3 √(0.9·0.1/100) = 0.09. Settings that
    are the cheapest as predicted break the limit in about half of the cases: 3 √(0.5·0.5/100) = 0.15."""
    case, bound, read = LIMITS[name]
    found, plain = with_chance(case, 0.9, on_dial=False), coolsim.find_settings(case, on_dial=False)
    at, d = there(case, found), case.feed.diameter
    y, below, above = read(at, np.array([d, d - SIGMA, d + SIGMA]))
    room = (bound - y) / (abs(above - below) / 2)
    assert found.kept and ENOUGH[0] < room < ENOUGH[1]
    assert found.uncertainty.chance == pytest.approx(norm.cdf(room), abs=0.01)
    assert dict(found.uncertainty.limits)[name] == pytest.approx(norm.cdf(room), abs=0.01)
    random = d + SIGMA * np.random.default_rng(11).standard_normal(100)
    assert np.mean(read(at, random) <= bound) == pytest.approx(norm.cdf(room), abs=0.09)
    before = there(case, dataclasses.replace(found, answer=plain))
    assert np.mean(read(before, random) <= bound) == pytest.approx(0.5, abs=0.15)
    assert plain.cost.total < found.answer.cost.total


def turned(**typed: str) -> Case:
    typed = {
        "limits.airflow": ["600 m3/h", "2000 m3/h"],
        "limits.maximum_exhaust_relative_humidity": "45 %",
    } | {key.replace("__", "."): text for key, text in typed.items()}
    return exactly_made(coolsim.replace(loads(TURNED), typed))


@pytest.fixture(scope="module")
def humid() -> tuple[Case, SettingsWithChance]:
    case = turned()
    return case, with_chance(case, 0.9, on_dial=False)


def test_target_and_limit_of_a_dryer_are_kept_together(humid: tuple[Case, SettingsWithChance]) -> None:
    """Least air is the cheapest, so that its exhaust stands at its limit and moisture at its target. Wetter feed
    raises both: they are kept together where the tighter one is."""
    case, found = humid
    at, m, sigma = there(case, found), case.feed.moisture, 0.005 / NORMAL_95
    random = m + sigma * np.random.default_rng(12).standard_normal(300)
    fed = np.concatenate([[m, m - sigma, m + sigma], random])
    r = coolsim.predict(
        [dataclasses.replace(at, feed=dataclasses.replace(at.feed, moisture=float(x))) for x in fed]
    )
    M, RH = r.pellets_out.moisture_wb, r.air_out.relative_humidity
    rooms = [(bound - y[0]) / ((y[2] - y[1]) / 2) for y, bound in ((M, 0.12), (RH, 0.45))]
    assert found.kept and ENOUGH[0] < min(rooms) < ENOUGH[1]
    assert found.uncertainty.all_kept == pytest.approx(norm.cdf(min(rooms)), abs=0.01)
    assert dict(found.uncertainty.limits)["humidity of the exhaust air"] == pytest.approx(
        norm.cdf(rooms[1]), abs=0.01
    )
    kept = (M[3:] <= 0.12) & (RH[3:] <= 0.45)
    assert np.mean(kept) == pytest.approx(norm.cdf(min(rooms)), abs=0.052)
    plain = coolsim.find_settings(case, on_dial=False)
    assert uncertainty(there(case, dataclasses.replace(found, answer=plain))).all_kept < 0.55


def test_what_no_limit_depends_on_moves_nothing() -> None:
    """How much the line makes is no number of a batch's own: limits at which the settings stand are kept by all
    samples, with no room."""
    case = turned(feed__moisture="18 %", feed__throughput="60 ± 5 kg/h")
    found, plain = with_chance(case, 0.9, on_dial=False), coolsim.find_settings(case, on_dial=False)
    assert {"moisture", "exhaust relative humidity"} <= {at.limit for at in found.answer.binding}
    assert found.kept and found.case.safety_margins == {}
    assert found.uncertainty.all_kept == 1.0
    assert found.answer.settings.airflow == plain.settings.airflow
    assert found.answer.settings.duration == plain.settings.duration


def test_hottest_pellets_have_a_chance_as_well() -> None:
    """Of 300 plain random predictions: half are below the middle one's, and as many as the
    samples say below any other; three binomial standard errors of 300 and of 256 are at most 0.13."""
    case = turned(feed__moisture="18 %", feed__temperature="70 ± 8 degC", cooler__duration="1 min")
    sigma = 8.0 / NORMAL_95
    random = case.feed.temperature + sigma * np.random.default_rng(13).standard_normal(300)
    alone = [
        dataclasses.replace(case, feed=dataclasses.replace(case.feed, temperature=float(T))) for T in random
    ]
    hottest = np.array([coolsim.predict(one).spread.hottest for one in alone[:40]])
    together = coolsim.predict(alone).spread.hottest
    assert together[:40] == pytest.approx(hottest, abs=1e-6)
    for share in (0.3, 0.5, 0.8):
        most = float(np.quantile(together, share))
        told = uncertainty(wished(case, "limits", maximum_pellet_temperature=most))
        assert dict(told.limits) == pytest.approx({"hottest pellets": share}, abs=0.13)
        assert told.all_kept <= min(told.all_met, dict(told.limits)["hottest pellets"])


def test_a_verdict_is_on_the_bound_and_not_on_the_room_below_it() -> None:
    """Where settings cannot have the room that a chance takes, what lies below its bound is met all the same."""
    case = coolsim.replace(loads(level_text("monsoon-night")), {"feed.moisture": "13.2 ± 1.5 %"})
    answer = with_chance(case, 0.95).answer
    near = {limit.limit for limit in answer.broken}
    (verdict,) = (v for v in answer.verdicts if v.constraint.called in near)
    assert not answer.met and verdict.margin > 0 and verdict.met  # for want of room alone
    assert all(v.met == (v.margin >= 0) for v in (*answer.verdicts, *answer.now.verdicts))


def test_limits_too_tight_are_named() -> None:
    """Pellets cool enough take more air than the bed bears in many of the cases: it is said, with what is in the
    way, and neither of them is promised."""
    typed = ("feed.moisture=13.6 ± 0.3 %", "feed.diameter=3 ± 0.3 mm", "limits.maximum_lift_off=26 %")
    sets = [word for key in typed for word in ("--set", key)]
    done = CliRunner().invoke(app, ["settings", str(NIGHT), "--chance", "95 %", *sets])
    said = " ".join(done.stdout.split())
    assert done.exit_code == 3
    assert "keep every limit, all of it together, with the 95 % asked for; these come nearest." in said
    assert "In the way of a surer target: lift-off (" in said and "The least sure is " in said


def test_a_fan_whose_speed_is_given_keeps_it() -> None:
    """The operator sets the speed, whatever the air that comes of it: no chance of it is told. Of an airflow that
    is stated, whose speed follows, it is."""
    text = level_text("monsoon-night").replace('moisture = "13.6 %"', 'moisture = "13.6 ± 0.3 %"')
    case = loads(text)
    at_full = loads(text.replace('airflow = "2200 m3/h"', "").replace("[fan]", '[fan]\nspeed = "100 %"'))
    assert at_full.cooler.airflow is None
    assert "fan speed" not in dict(uncertainty(at_full, samples=64).limits)
    assert dict(uncertainty(case, samples=64).limits)["fan speed"] == 1.0


def test_air_outside_that_is_not_known() -> None:
    """It comes in as it is, and pellets are measured against it. Exit temperature is near to linear in it, with
    slope b by predictions one σ to either side: its interval is ± 1.96 b σ. (Air that came in no colder than as
    typed would halve the lower part.)"""
    text = level_text("monsoon-night").replace('temperature = "26 degC"', 'temperature = "26 ± 3 degC"')
    case = exactly_made(loads(text))
    found = with_chance(case, 0.9, on_dial=False)
    s, sigma = found.answer.settings, 3 / NORMAL_95
    cooler = dataclasses.replace(case.cooler, airflow=s.airflow, bed_depth=s.bed_depth)
    at = dataclasses.replace(case, cooler=cooler)
    outside = np.append([26 - sigma, 26, 26 + sigma], np.random.default_rng(14).normal(26, sigma, 100))
    airs = [dataclasses.replace(case.air, temperature=float(T)) for T in outside]
    out = coolsim.predict([dataclasses.replace(at, air=air) for air in airs]).pellets_out
    below, middle, above = out.temperature[:3]
    told = found.uncertainty
    assert told.temperature.low == pytest.approx(middle - NORMAL_95 * (above - below) / 2, abs=0.2)
    assert told.temperature.high == pytest.approx(middle + NORMAL_95 * (above - below) / 2, abs=0.2)
    cool = out.temperature[3:] - outside[3:] <= 7.0
    assert dict(told.wishes)["above the air outside"] == pytest.approx(np.mean(cool), abs=0.03)
    assert found.kept and np.mean(out.moisture_wb[3:] <= 0.115) == pytest.approx(0.9, abs=0.09)
