"""Settings with a chance: by the normal distribution where one input is open, by plain random samples where many.

Of dryers, and of a cooler where the derivation is the same.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from reader_units import strays
from scipy.stats import norm
from shipped import level
from studies.set_so import set_so
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.case.tables import TABLES, Costs, Target
from coolsim.cli import app
from coolsim.scenario import loads
from coolsim.simulate.requirements import constraints_of
from coolsim.studies.propagation.run import uncertainty
from coolsim.studies.propagation.unknowns import NORMAL_95, unknowns_of, varied
from coolsim.studies.settings import chance_constrained
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.studies.settings.chance_constrained import SettingsWithChance, with_chance
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SIGMA = 0.005 / NORMAL_95  # of the feed moistures below
# Turned all the time: all its pellets are alike, so that hundreds of full predictions take seconds.
TURNED = """
title = "small turned batch"
[feed]
material = "floating-fish-feed"
diameter = "4 mm"
length = "5 mm"
throughput = "60 kg/h"
temperature = "70 degC"
moisture = "18 ± 0.5 %"
[air]
temperature = "28 degC"
relative_humidity = "70 %"
[cooler]
arrangement = "batch"
floor_area = "1 m2"
bed_depth = "5 cm"
duration = "4 min"
airflow = "1400 m3/h"
inlet_air_temperature = "80 degC"
mixing = "continuous"
[target]
moisture = "12 %"
[limits]
duration = ["2 min", "30 min"]
[costs]
electricity = "0.15 /kWh"
heat = "0.06 /kWh"
feed = "0.4 /kg"
"""
BELT = """
title = "short belt"
[feed]
material = "floating-fish-feed"
diameter = "4 mm"
length = "5 mm"
throughput = "300 kg/h"
temperature = "70 degC"
moisture = "18 ± 0.5 %"
[air]
temperature = "28 degC"
relative_humidity = "70 %"
[cooler]
arrangement = "belt"
belt_width = "1 m"
bed_depth = "5 cm"
[[cooler.zone]]
length = "1 m"
airflow = "1500 m3/h"
inlet_air_temperature = "80 degC"
[target]
moisture = "13 %"
[limits]
inlet_air_temperature = ["50 degC", "110 degC"]
[costs]
electricity = "0.15 /kWh"
heat = "0.06 /kWh"
"""


def exactly_made(case: Case) -> Case:
    """The case with a material whose numbers have no ranges."""
    return dataclasses.replace(case, material=dataclasses.replace(case.material, provenance={}))


def wished(case: Case, table: str, **values: float) -> Case:
    return dataclasses.replace(case, **{table: TABLES[table](**values)})


def there(case: Case, found: SettingsWithChance) -> Case:
    return set_so(case, found.answer.settings)


def cooler() -> Case:
    case = level("monsoon-night")
    case = coolsim.replace(case, {"feed.moisture": "13.6 ± 0.5 %"})
    return wished(case, "target", moisture=0.115)


@pytest.mark.parametrize("case", [cooler(), loads(TURNED), loads(BELT)], ids=["cooler", "batch", "belt"])
def test_one_open_input_by_the_normal_distribution(case: Case) -> None:
    """Exit moisture M is near to linear in feed moisture, with slope b (by predictions one ± to either side), and
    so normal with standard deviation b·σ: P = Φ((target − M)/(b σ)). A chance of 90 % takes 1.2816 b·σ of room. Up
    to 2 points more of chance are left over: how near a search comes (1 point), and what its samples tell (1)."""
    case = exactly_made(case)
    found = with_chance(case, 0.9, on_dial=False)
    at = there(case, found)
    m = case.feed.moisture
    fed = [dataclasses.replace(at.feed, moisture=x) for x in (m, m - 0.005, m + 0.005)]
    out = coolsim.predict([dataclasses.replace(at, feed=feed) for feed in fed])
    M, *ends = map(float, out.pellets_out.moisture_wb)
    b = (ends[1] - ends[0]) / 0.01
    room = (case.target.moisture - M) / (b * SIGMA)
    assert found.kept
    assert norm.ppf(0.895) < room < norm.ppf(0.92)
    assert found.uncertainty.all_met == pytest.approx(norm.cdf(room), abs=0.01)


@pytest.fixture(scope="module")
def turned() -> Case:
    return loads(TURNED)


@pytest.fixture(scope="module")
def found(turned: Case) -> SettingsWithChance:
    return with_chance(turned, 0.9, on_dial=False)


def test_plain_random_samples_at_the_settings_say_the_same(turned: Case, found: SettingsWithChance) -> None:
    """400 full predictions, of every number that is assumed, too; three binomial standard errors of them and of the
    256 samples behind the answer: 3 √(0.9·0.1 (1/400 + 1/256)) = 0.072."""
    at, n = there(turned, found), 400
    unknowns = unknowns_of(at)
    assert len(unknowns) > 3
    z = np.random.default_rng(7).standard_normal((len(unknowns), n))
    M = coolsim.predict(varied(at, unknowns, z)).pellets_out.moisture_wb
    assert found.kept and found.uncertainty.all_met >= 0.9
    assert np.mean(M <= 0.12) == pytest.approx(found.uncertainty.all_met, abs=0.072)


@pytest.fixture(scope="module")
def plain(turned: Case) -> SettingsAnswer:
    """Settings without any chance asked for."""
    return coolsim.find_settings(turned, on_dial=False)


@pytest.fixture(scope="module")
def both(turned: Case) -> SettingsAnswer:
    """On the dial: settings, how sure they are, and surer ones."""
    return coolsim.find_settings(turned, chance=0.9, uncertainty=True)


def test_surer_settings_are_drier_and_dearer(
    turned: Case, found: SettingsWithChance, plain: SettingsAnswer
) -> None:
    assert uncertainty(set_so(turned, plain.settings)).all_met < 0.7
    assert found.answer.result.pellets_out.moisture_wb < plain.result.pellets_out.moisture_wb - 1e-3
    assert found.answer.cost.total > plain.cost.total
    assert found.answer.settings.duration > plain.settings.duration


def test_the_answer_is_that_of_the_case_that_is_told(found: SettingsWithChance) -> None:
    """The search with the room alone finds the same settings."""
    again = coolsim.find_settings(found.case, on_dial=False)
    assert again.settings.duration == pytest.approx(found.answer.settings.duration, rel=1e-9)


def test_where_no_settings_have_it(turned: Case, plain: SettingsAnswer) -> None:
    """4 min are too short for more than some: the longest time is the surest, and is said to be in the way."""
    short = plain.settings.duration * 1.05
    case = wished(turned, "limits", duration=(120.0, short))
    found = with_chance(case, 0.95)
    assert not found.kept and 0.5 < found.uncertainty.all_met < 0.95
    assert found.answer.settings.duration == pytest.approx(short, rel=0.01)
    assert "drying time, highest" in {at.limit for at in found.answer.binding}


def test_what_no_settings_have_is_not_sampled(
    turned: Case, plain: SettingsAnswer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With 5 % more time than the cheapest settings take there is little room: all that there is, once."""
    case = wished(turned, "limits", duration=(120.0, plain.settings.duration * 1.05))
    told, asked = [], chance_constrained.moved
    monkeypatch.setattr(chance_constrained, "moved", lambda *known: told.append(asked(*known)) or told[-1])
    assert not with_chance(case, 0.95).kept
    assert len(told) == 1


def test_every_bound_gets_its_room(turned: Case) -> None:
    """Each wish and each limit is moved by its room, to the side that keeps it; other limits stand."""
    case = wished(
        turned, "target", moisture=0.12, tolerance=0.01, maximum_above_ambient=8.0, maximum_water_activity=0.7,
        maximum_deviation=0.02,
    )  # fmt: skip
    case = wished(
        case, "limits", duration=(120.0, 900.0), maximum_pellet_temperature=70.0, maximum_lift_off=0.7
    )
    room = {
        "moisture": 0.003,
        "lowest_moisture": 0.002,
        "above_ambient": 1.5,
        "water_activity": 0.03,
        "deviation": 0.004,
        "pellet_temperature": 2.5,
    }
    roomy = constraints_of(dataclasses.replace(case, safety_margins=room))
    known = {"moisture": (0.13, 1), "lowest_moisture": (0.11, -1), "above_ambient": (8.0, 1),
        "water_activity": (0.7, 1), "deviation": (0.02, 1), "pellet_temperature": (70.0, 1), "lift_off": (0.7, 1),
        "exhaust_relative_humidity": (1.1, 1)}  # fmt: skip
    assert {c.name for c in roomy} == set(known)
    for c in roomy:
        bound, sense = known[c.name]
        edge = bound - sense * room.get(c.name, 0.0)  # what just keeps it
        assert c.violation(edge - sense * 1e-9) < 0 < c.violation(edge + sense * 1e-9), c.name


def test_evenness_counts_among_the_wishes() -> None:
    """Half of all are more even than the middle of all."""
    case = level("evening-batch")
    middle = uncertainty(case, samples=64).deviation_wb.middle
    told = uncertainty(
        wished(case, "target", moisture=0.5, maximum_deviation=middle, maximum_water_activity=1.0), samples=64
    )
    assert dict(told.wishes)["deviation over the bed"] == pytest.approx(0.5, abs=0.01)
    assert told.all_met == pytest.approx(0.5, abs=0.01)


def test_the_chance_of_a_limit_by_the_normal_distribution() -> None:
    """Lift-off of a flow known to ± 10 %, with slope b (by predictions 1 % to either side) near to linear in it: a
    limit that is Δ above it is kept with Φ(Δ/(b σ))."""
    case = level("humid-delta")
    flow = case.cooler.airflow
    at = f"{3600 * flow!r} ± {360 * flow!r} m3/h"
    case = exactly_made(coolsim.replace(case, {"cooler.airflow": at}))
    flows = [dataclasses.replace(case.cooler, airflow=k * flow) for k in (1.0, 0.99, 1.01)]
    out = coolsim.predict([dataclasses.replace(case, cooler=c) for c in flows])
    here, *ends = map(float, out.bed.lift_off)
    b, sigma = (ends[1] - ends[0]) / 0.02, 0.1 / NORMAL_95
    told = uncertainty(wished(case, "limits", maximum_lift_off=1.05 * here), samples=64)
    assert dict(told.limits) == pytest.approx(
        {"air speed, share of lifting speed": norm.cdf(0.05 * here / (b * sigma))}, abs=0.01
    )
    assert uncertainty(wished(case, "limits"), samples=64).limits == ()


# -- the door


def asked(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: Any) -> str:
    path = tmp_path_factory.mktemp("sure") / "turned.toml"
    path.write_text(TURNED, encoding="utf-8")
    return str(path)


def test_one_door(turned: Case, found: SettingsWithChance, both: SettingsAnswer, scenario: str) -> None:
    """Python, JSON and text say the same."""
    answer = both
    assert answer.settings.duration == coolsim.find_settings(turned).settings.duration
    # on a dial of half minutes: the next step from the exact time, and a little more of a chance
    longer = answer.surely.answer.settings.duration - found.answer.settings.duration
    assert 0.0 <= longer <= 30.0 and answer.surely.kept
    assert answer.surely.uncertainty.all_met >= found.uncertainty.all_met
    status, out, err = asked("settings", scenario, "--uncertainty", "--chance", "90 %", "--json", "-")
    written = json.loads(out)
    assert (status, err) == (0, "")
    assert written["settings"]["duration_s"] == pytest.approx(answer.settings.duration)
    assert written["uncertainty"]["met"]["all"] == pytest.approx(answer.uncertainty.all_met)
    assert written["surely"]["settings"]["duration_s"] == pytest.approx(
        answer.surely.answer.settings.duration
    )
    sure = answer.surely.uncertainty.all_met
    assert written["surely"]["uncertainty"]["met"]["all"] == pytest.approx(sure)
    assert {"heat_kWh", "deviation_wb"} <= set(written["uncertainty"])


def test_text_of_a_dryer_in_us_units(
    scenario: str, both: SettingsAnswer, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = both.surely
    monkeypatch.setenv("COLUMNS", "60")
    status, out, _ = asked("settings", scenario, "--chance", "90 %", "--units", "us")
    said = " ".join(out.split())
    assert status == 0 and max(map(len, out.splitlines())) <= 60
    assert "with the 90 % asked for" in said and "lb/h" in said and not strays(said, "us")
    assert f"chance that the target is met {int(100 * found.uncertainty.all_met)} %" in said
    assert f"drying time 4.0 min {found.answer.settings.duration / 60:.1f} min" in said


@pytest.mark.parametrize("chance", [1.2, 0.2, float("nan")])
def test_chances_that_cannot_be(turned: Case, chance: float) -> None:
    with pytest.raises(InputError, match="50 % to 99 %"):
        coolsim.find_settings(turned, chance=chance)


def test_all_faults_at_once(turned: Case) -> None:
    """Nothing carries a ±, and there is neither a target nor a price."""
    bare = exactly_made(coolsim.replace(turned, {"feed.moisture": "18 %"}))
    bare = dataclasses.replace(bare, target=Target(), costs=Costs())
    with pytest.raises(InputError) as refused:
        coolsim.find_settings(bare, uncertainty=True)
    assert {fault.key for fault in refused.value.faults} == {
        "target.moisture",
        "costs.electricity",
        "uncertainty",
    }


def test_one_weather_at_a_time(turned: Case) -> None:
    air = Air(temperature=np.array([20.0, 30.0]), relative_humidity=0.6, pressure=101325.0)
    with pytest.raises(InputError, match="one weather"):
        coolsim.find_settings(turned, air=air, uncertainty=True)
