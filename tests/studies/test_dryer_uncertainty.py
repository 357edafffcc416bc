"""How sure the exit of a dryer or a line is: against plain random samples, slopes, and stages by hand."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case, Cooler, Stage
from coolsim.cli import app
from coolsim.model.solve import Resolution
from coolsim.scenario import loads
from coolsim.simulate import dryer_simulation
from coolsim.simulate.prediction import at_its_fan, depth_of_mass, varied_cases
from coolsim.studies.propagation import MESH, NORMAL_95, uncertainty, unknowns_of, varied
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BATCH, BELT, LINE = (
    str(SCENARIOS / f"{name}.toml") for name in ("evening-batch", "belt-four-zones", "dryer-then-cooler")
)
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
temperature = "28 ± 2 degC"
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
"""


@pytest.fixture(scope="module")
def turned() -> Case:
    return loads(TURNED)


def exactly_made(case: Case) -> Case:
    """The case with a material whose numbers have no ranges."""
    return dataclasses.replace(case, material=dataclasses.replace(case.material, provenance={}))


def test_plain_random_samples_of_full_predictions_say_the_same(turned: Case) -> None:
    """As many lie in each tail as the interval says, to three binomial standard errors; widths to three of a
    standard deviation from so few (1/√2n each, and a tenth for what is not normal)."""
    n, found, unknowns = 128, uncertainty(turned), unknowns_of(turned)
    z = np.random.default_rng(5).standard_normal((len(unknowns), n))
    out = coolsim.predict(varied(turned, unknowns, z))
    answers = {
        "moisture_wb": out.pellets_out.moisture_wb,
        "temperature": out.pellets_out.temperature,
        "heat": out.energy.heat,
        "evaporation": out.bed.evaporation,
    }
    for name, y in answers.items():
        ends = dataclasses.astuple(getattr(found, name))
        for q, value in zip((0.025, 0.5, 0.975), ends):
            error = np.sqrt(q * (1 - q) * (1 / n + 1 / found.samples))
            assert (y < value).mean() == pytest.approx(q, abs=3 * error), (name, q)
        off = 3 * np.sqrt(1 / (2 * n) + 1 / (2 * found.samples)) + 0.1
        assert ends[2] - ends[0] == pytest.approx(2 * NORMAL_95 * y.std(), rel=off), name
    met = answers["moisture_wb"] <= 0.12
    assert 0.1 < met.mean() < 0.9
    assert found.all_met == pytest.approx(met.mean(), abs=3 * 0.5 * np.sqrt(1 / n + 1 / found.samples))


@pytest.mark.parametrize("name", ["batch", "belt"])
def test_what_the_rough_mesh_leaves_is_small_beside_the_spread(name: str) -> None:
    """The same samples in full: less than a tenth of the standard deviation, once the centre's offset is off."""
    case = coolsim.replace(coolsim.load(BATCH if name == "batch" else BELT), {"feed.moisture": "24 ± 0.5 %"})
    z = np.random.default_rng(3).standard_normal((len(unknowns_of(case)), 12))
    cases = varied(case, unknowns_of(case), z)
    full, rough = (coolsim.predict(cases, resolution=r).pellets_out for r in (Resolution(), MESH))
    centre, offset = (coolsim.predict(case, resolution=r).pellets_out for r in (Resolution(), MESH))
    for part in ("moisture_wb", "temperature"):
        left = getattr(rough, part) + getattr(centre, part) - getattr(offset, part) - getattr(full, part)
        assert np.sqrt((left**2).mean()) < 0.1 * getattr(full, part).std(), part
        assert np.abs(getattr(rough, part) - getattr(full, part)).max() > 0  # it is another mesh


def test_a_small_spread_is_that_of_the_slopes(turned: Case) -> None:
    """Independent errors add as squares of slope times error (GUM, JCGM 100:2008, eq. 10; by differences)."""
    halves = {"feed.moisture": (18.0, 0.02, "%"), "air.temperature": (28.0, 0.2, "degC")}
    small = {key: f"{value} ± {half} {unit}" for key, (value, half, unit) in halves.items()}
    case = exactly_made(coolsim.replace(turned, small))
    parts = []
    for key, (value, half, unit) in halves.items():
        low, high = (
            coolsim.predict(exactly_made(coolsim.replace(turned, {key: f"{value + way * half} {unit}"})))
            for way in (-1, 1)
        )
        parts.append(
            [
                (high.pellets_out.moisture_wb - low.pellets_out.moisture_wb) / 2,
                (high.energy.heat - low.energy.heat) / 2,
            ]
        )
    moisture, heat = np.sqrt((np.array(parts) ** 2).sum(axis=0))
    found = uncertainty(case, samples=1024)
    assert (found.moisture_wb.high - found.moisture_wb.low) / 2 == pytest.approx(moisture, rel=0.04)
    assert (found.heat.high - found.heat.low) / 2 == pytest.approx(heat, rel=0.04)
    shares = {c.name: c.moisture_share for c in found.contributors}
    for key, part in zip(halves, np.array(parts)[:, 0]):
        assert shares[key] == pytest.approx(part**2 / moisture**2, abs=0.03)


def test_the_mesh_without_an_estimate_is_the_fine_one() -> None:
    """What marches alone ends where it ended beside its coarse companion."""
    cases = varied_cases(coolsim.load(BATCH))
    rough = coolsim.predict(cases, resolution=MESH)
    beside = dataclasses.replace(dryer_simulation.SURVEY, estimate=True)
    both = dryer_simulation.dry(cases, None, many=True, resolution=beside)
    np.testing.assert_allclose(rough.pellets_out.moisture_wb, both.pellets_out.moisture_wb, atol=1e-9)
    assert not np.isfinite(rough.accuracy.moisture_error_wb).any()
    assert np.isfinite(both.accuracy.moisture_error_wb).all()


# ---- What varies ----------------------------------------------------------------------------------------


def test_a_batch_that_was_weighed_keeps_its_mass() -> None:
    """Depth = mass / (ρ_bulk A): 250 kg on 4 m² whatever the density."""
    case = coolsim.load(BATCH)
    unknown = next(u for u in unknowns_of(case) if u.name == "bulk_density")
    for one in (*varied(case, [unknown], np.array([[-NORMAL_95, 0.7, NORMAL_95]])), *varied_cases(case)):
        mass = one.feed.bulk_density * one.cooler.floor_area * one.cooler.bed_depth
        assert mass == pytest.approx(250.0, rel=1e-12)
    measured = coolsim.replace(case, {"cooler.bed_depth": "15 cm"})
    assert depth_of_mass(measured) is None
    (light, dense) = varied(measured, [unknown_of(measured, "bulk_density")], np.array([[-1.0, 1.0]]))
    assert light.cooler.bed_depth == dense.cooler.bed_depth == 0.15


def unknown_of(case: Case, name: str):
    return next(u for u in unknowns_of(case) if u.name == name)


def test_a_pm_of_a_stage_moves_that_stage() -> None:
    typed = {"stage.1.bed_depth": "8 ± 0.5 cm", "stage.2.airflow": "2600 ± 100 m3/h"}
    case = coolsim.replace(coolsim.load(LINE), typed | {"feed.moisture": "22 ± 0.5 %"})
    assert set(case.plus_minus) == {*typed, "feed.moisture"}
    ends = np.full((1, 1), NORMAL_95)
    (deeper,) = varied(case, [unknown_of(case, "stage.1.bed_depth")], ends)
    (more_air,) = varied(case, [unknown_of(case, "stage.2.airflow")], ends)
    (wetter,) = varied(case, [unknown_of(case, "feed.moisture")], ends)
    assert deeper.cooler.stages[0].cooler.bed_depth == pytest.approx(0.085)
    assert deeper.cooler.stages[1] == case.cooler.stages[1]
    assert more_air.cooler.stages[1].cooler.airflow == pytest.approx(2700 / 3600)
    assert more_air.cooler.stages[0] == case.cooler.stages[0]
    assert wetter.feed.moisture == pytest.approx(0.225) and wetter.cooler == case.cooler


def test_air_of_a_stage_is_that_stages_own() -> None:
    case = coolsim.replace(coolsim.load(LINE), {"stage.2.air.temperature": "20 ± 1 degC"})
    (warmer,) = varied(case, [unknown_of(case, "stage.2.air.temperature")], np.full((1, 1), NORMAL_95))
    assert warmer.cooler.stages[1].air.temperature == pytest.approx(21.0)
    assert warmer.air.temperature == 26.0


# ---- Lines ----------------------------------------------------------------------------------------------


def test_a_sample_of_a_line_is_the_dryer_and_then_the_cooler() -> None:
    """Each sample's dryer is that dryer alone with its feed and material; the cooler takes what leaves it."""
    case = coolsim.replace(coolsim.load(LINE), {"feed.moisture": "22 ± 0.5 %"})
    z = np.random.default_rng(2).standard_normal((len(unknowns_of(case)), 3))
    cases = varied(case, unknowns_of(case), z)
    whole = coolsim.predict(cases, resolution=MESH)
    dryer, cooler = (run.result for run in whole.stages)
    for k, one in enumerate(cases):
        stage = one.cooler.stages[0]
        alone = coolsim.predict(dataclasses.replace(one, cooler=stage.cooler), resolution=MESH)
        assert dryer.pellets_out.moisture_wb[k] == pytest.approx(alone.pellets_out.moisture_wb, abs=1e-9)
        by_itself = coolsim.predict(one, resolution=MESH)
        assert whole.pellets_out.moisture_wb[k] == pytest.approx(by_itself.pellets_out.moisture_wb, abs=2e-6)
        # dry solid leaves with the throughput less its water, and water is what the cooler took out of it
        dry = one.feed.throughput * (1 - one.feed.moisture)
        X_in, X_out = dryer.pellets_out.moisture_db[k], cooler.pellets_out.moisture_db[k]
        assert dry * (X_in - X_out) == pytest.approx(cooler.bed.evaporation[k], rel=1e-6)
    np.testing.assert_allclose(cooler.feed_in.moisture_wb, dryer.pellets_out.moisture_wb, rtol=1e-9)
    assert np.ptp(whole.pellets_out.moisture_wb) > 1e-3  # samples differ


def test_a_line_is_as_unsure_as_its_samples_in_full() -> None:
    case = coolsim.replace(coolsim.load(LINE), {"feed.moisture": "22 ± 0.5 %"})
    found = uncertainty(case, samples=64)
    assert found.deviation_wb is None and found.heat is None  # of a dryer alone
    M = coolsim.predict(case).pellets_out.moisture_wb
    assert found.moisture_wb.low < M < found.moisture_wb.high
    z = np.random.default_rng(1).standard_normal((len(unknowns_of(case)), 48))
    y = coolsim.predict(varied(case, unknowns_of(case), z)).pellets_out.moisture_wb
    # the middle half of the samples: standard error of a quartile of 48 samples, about 1.36 σ/√48 if normal
    error = 1.36 * y.std() / np.sqrt(48)
    assert found.moisture_wb.middle == pytest.approx(np.median(y), abs=3 * error)
    assert ((found.moisture_wb.low < y) & (y < found.moisture_wb.high)).mean() >= 0.85


def test_fans_of_a_line_keep_the_airflow_they_settle_at() -> None:
    case = coolsim.load(LINE)
    dryer, cooler = case.cooler.stages
    speed = dataclasses.replace(cooler.fan, speed=0.8)
    by_speed = Stage("cooler", dataclasses.replace(cooler.cooler, airflow=None), cooler.stand_by, fan=speed)
    asked = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, stages=(dryer, by_speed)))
    known, settled = coolsim.predict(asked), at_its_fan(asked)
    assert isinstance(settled.cooler.stages[1].cooler, Cooler)
    assert settled.cooler.stages[1].cooler.airflow is not None
    again = coolsim.predict(settled)
    assert again.fan is None
    assert again.pellets_out.moisture_wb == pytest.approx(known.pellets_out.moisture_wb, abs=1e-6)
    assert at_its_fan(case) is case  # states its airflow


# ---- What is printed and written ------------------------------------------------------------------------


def asked(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture
def scenario(tmp_path: Path) -> str:
    path = tmp_path / "turned.toml"
    path.write_text(TURNED, encoding="utf-8")
    return str(path)


def test_text_and_json(scenario: str, turned: Case) -> None:
    status, out, err = asked("predict", scenario, "--uncertainty")
    found = uncertainty(turned)
    assert (status, err) == (0, "")
    assert f"by {found.samples} samples" in out and found.samples == 256
    low, high = (f"{x / 3.6e6:.1f}" for x in (found.heat.low, found.heat.high))
    assert f"{low} – {high} kWh" in out
    low, high = (f"{3600 * x:.0f}" for x in (found.evaporation.low, found.evaporation.high))
    assert f"{low} – {high} kg/h" in out
    assert "spread over the bed" in out
    status, out, _ = asked("predict", scenario, "--uncertainty", "--json", "-")
    written = json.loads(out)["uncertainty"]
    assert status == 0
    assert written["heat_kWh"]["middle"] == pytest.approx(found.heat.middle / 3.6e6)
    assert written["evaporation_kg_h"]["low"] == pytest.approx(3600 * found.evaporation.low)
    assert written["deviation_wb"]["high"] == pytest.approx(found.deviation_wb.high)
    assert {"feed.moisture", "air.temperature", "diffusivity"} <= {c["name"] for c in written["contributors"]}


def test_a_pm_where_none_may_stand_is_refused() -> None:
    setting = "cooler.zone.1.airflow=8000 ± 100 m3/h"
    status, _, err = asked("predict", BELT, "--uncertainty", "--set", setting)
    assert status == 2 and "±" in err


def test_nothing_unknown(turned: Case) -> None:
    bare = exactly_made(coolsim.replace(turned, {"feed.moisture": "18 %", "air.temperature": "28 degC"}))
    with pytest.raises(InputError, match="±"):
        uncertainty(bare)
