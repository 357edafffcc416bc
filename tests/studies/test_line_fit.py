"""A fit to trials on a line of a dryer and a cooler whose numbers are known, and what it must refuse."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import numpy as np
import pytest
from shipped import level, level_text
from studies.fit_world import with_numbers
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case
from coolsim.cli import app
from coolsim.physics import air
from coolsim.scenario.trials import read_trials, trials_of
from coolsim.studies import differences
from coolsim.studies.fitting import fit
from coolsim.studies.fitting.model import model_readings
from coolsim.studies.fitting.parameters import parameters_of
from coolsim.studies.fitting.run import posed
from coolsim.support.errors import InputError, NotConverged

TRUE = {"diffusivity": 1.5e-10, "isotherm_shift": 0.015, "specific_heat": 1760.0}


@pytest.fixture(scope="module")
def base() -> Case:
    return level("dryer-then-cooler")


def changed(case: Case, count: int, seed: int) -> list[dict[str, str]]:
    """Other feeds, depths and airs of both machines, as a person would type them."""
    draw = np.random.default_rng(seed).uniform
    return [
        {
            "feed.moisture": f"{draw(20.0, 24.0):.2f} %",
            "stage.1.bed_depth": f"{draw(6.0, 11.0):.2f} cm",
            "stage.1.zone.1.inlet_air_temperature": f"{draw(75.0, 98.0):.1f} degC",
            "stage.2.airflow": f"{draw(1500.0, 3000.0):.0f} m3/h",
            "stage.2.bed_depth": f"{draw(0.35, 0.7):.3f} m",
        }
        for _ in range(count)
    ]


def readings(cases: list[Case]) -> dict[str, np.ndarray]:
    """What would be measured behind the line and behind its dryer."""
    result = coolsim.predict(cases)
    dryer = result.stages[0].result.pellets_out
    return {
        "moisture": np.asarray(result.pellets_out.moisture_wb),
        "temperature": np.asarray(result.pellets_out.temperature),
        "stage.1.moisture": np.asarray(dryer.moisture_wb),
        "stage.1.temperature": np.asarray(dryer.temperature),
    }


@pytest.fixture(scope="module")
def six(base: Case):
    cases = [coolsim.replace(base, c) for c in changed(base, 6, 3)]
    return cases, readings([with_numbers(c, **TRUE) for c in cases])


# -- right


@pytest.mark.thorough
@pytest.mark.parametrize("between", [True, False])
def test_exact_trials_give_the_numbers_back(base: Case, six, between: bool) -> None:
    """With readings behind the dryer and without: the material is one, so what leaves the line settles it, too."""
    cases, read = six
    if not between:
        read = {name: x for name, x in read.items() if not name.startswith("stage")}
    sd = {name: 5e-5 if name.endswith("moisture") else 0.05 for name in read}
    answer = fit(base, trials_of(cases, read, sd), priors=False)
    for p in answer.parameters:
        # readings about as good as the fit's mesh: it may be off by one interval
        assert p.value == pytest.approx(TRUE[p.name], abs=p.high - p.low), p.name
        assert p.high - p.low < 0.5 * (p.published_high - p.published_low), p.name
    there = readings([with_numbers(base, **TRUE)])
    assert answer.after.moisture_wb == pytest.approx(there["moisture"][0], abs=2e-4)
    assert answer.after.temperature == pytest.approx(there["temperature"][0], abs=0.1)
    assert abs(answer.before.moisture_wb - there["moisture"][0]) > 1e-3  # the published numbers are elsewhere
    assert coolsim.predict(answer.case).pellets_out.moisture_wb == pytest.approx(
        there["moisture"][0], abs=3e-4
    )


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "trials.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.thorough
def test_a_file_that_names_stages(base: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Air of the belt that is less than was stated, in columns by stage; the last stage is what leaves the line."""
    rows = []
    for c in changed(base, 5, 11):
        true = with_numbers(coolsim.replace(base, c), diffusivity=1.5e-10)
        true = differences.staged(0, differences.with_more_air)(true, 0.85)
        read = readings([true])
        numbers = [text.split()[0] for text in c.values()]
        numbers += [f"{100 * read['stage.1.moisture'][0]:.4f}", f"{read['stage.1.temperature'][0]:.3f}"]
        rows.append(",".join([*numbers, f"{100 * read['moisture'][0]:.4f}", f"{read['temperature'][0]:.3f}"]))
    head = (
        "feed.moisture [%],stage.1.bed_depth [cm],stage.1.zone.1.inlet_air_temperature [degC],"
        "stage.2.airflow [m3/h],stage.2.bed_depth [m],stage.1.measured.moisture [%],"
        "stage.1.measured.temperature [degC],stage.2.measured.moisture [%],measured.temperature [degC]"
    )
    path = written(tmp_path, "\n".join([head, *rows]) + "\n")
    answer = fit(base, path, ("diffusivity", "stage.1.airflow_factor"))
    D, flow = answer.parameters
    assert D.low < 1.5e-10 < D.high
    assert flow.low < 0.85 < flow.high and flow.high < 0.95
    belt, before = answer.case.cooler.stages[0].cooler, base.cooler.stages[0].cooler
    for a, b in zip(belt.zones, before.zones):
        assert a.airflow == pytest.approx(b.airflow * flow.value)
    assert answer.case.cooler.stages[1] == base.cooler.stages[1]
    assert {r.quantity for r in answer.readings} == {
        *("moisture", "temperature", "stage.1.moisture", "stage.1.temperature"),
    }
    assert answer.next and all(m.within_wb < answer.after.within_wb for m in answer.next)
    monkeypatch.setenv("COLUMNS", "120")
    scenario, told = tmp_path / "line.toml", tmp_path / "fit.json"
    scenario.write_text(level_text("dryer-then-cooler"), encoding="utf-8")
    free = ["--free", "diffusivity,stage.1.airflow_factor"]
    asked = ["fit", str(scenario), "--trials", str(path), *free, "--json", str(told)]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0, done.output
    words = " ".join(done.output.split())
    assert "moisture behind stage 1" in words and "stage.1.airflow_factor" in words
    written_down = json.loads(told.read_text(encoding="utf-8"))
    assert {r["quantity"] for r in written_down["residuals"]} >= {"stage.1.moisture"}


@pytest.mark.thorough
def test_a_doubt_counts_on_its_stage(base: Case) -> None:
    """What the exit does when airs are off, as predictions of the whole line say."""
    free = [parameters_of(base)["diffusivity"]]
    problem = posed(base, trials_of([base], {"moisture": [0.1]}), free)
    by_doubt = model_readings(problem.line, problem.before, False, True).by_doubt[:, :, 0, 0]
    for key, high, low, step in (
        ("feed.moisture", "22.4 %", "21.6 %", 0.008),
        ("stage.2.airflow", "2700 m3/h", "2500 m3/h", 200 / 3600),
        ("stage.1.bed_depth", "8.3 cm", "7.7 cm", 0.006),
    ):
        ends = [readings([coolsim.replace(base, {key: text})]) for text in (high, low)]
        names = ("moisture", "temperature", "stage.1.moisture", "stage.1.temperature")
        expected = np.array([(ends[0][n][0] - ends[1][n][0]) for n in names])
        found = by_doubt[:, problem.trials.inputs.index(key)][[0, 1, 4, 5]] * step
        scale = np.array([1e-3, 0.5, 1e-3, 0.5])  # what someone would look at
        off = np.abs(found - expected) / np.maximum(np.abs(expected), scale)
        assert (off < 0.06).all(), (key, found, expected)


def test_false_air_shows_behind_the_cooler(base: Case) -> None:
    """Its exhaust mixed by hand: dry air, water and enthalpy of both streams add up."""
    share = 0.15
    problem = posed(
        base,
        trials_of([base], {"moisture": [0.1], "exhaust_temperature": [40.0]}),
        [parameters_of(base)["stage.2.leakage"]],
    )
    found = model_readings(problem.line, np.array([share]))
    bed = coolsim.predict(base).air_out
    T, Y = base.air.temperature, air.humidity_ratio_from_relative_humidity(26.0, 0.7, base.air.pressure)
    assert T == 26.0 and base.air.relative_humidity == 0.7
    mixed = (1 - share) * bed.humidity_ratio + share * Y

    def enthalpy(t: float, y: float) -> float:  # of moist air, J per kg of dry air: ASHRAE, from memory
        return 1006.0 * t + y * (2.501e6 + 1860.0 * t)

    h = (1 - share) * enthalpy(bed.temperature, bed.humidity_ratio) + share * enthalpy(T, Y)
    expected = (h - 2.501e6 * mixed) / (1006.0 + 1860.0 * mixed)
    assert found.readings[2, 0, 0] == pytest.approx(expected, abs=0.1)
    assert found.by_theta[2, 0, 0, 0] == pytest.approx((expected - bed.temperature) / share, rel=0.1)


def test_a_stage_that_is_blown_through_shows_no_false_air(base: Case) -> None:
    fan = dataclasses.replace(base.cooler.stages[1].fan, position="blow-through")
    stages = (base.cooler.stages[0], dataclasses.replace(base.cooler.stages[1], fan=fan))
    case = dataclasses.replace(base, cooler=dataclasses.replace(base.cooler, stages=stages))
    trials = trials_of([case], {"moisture": [0.1], "exhaust_temperature": [40.0]})
    with pytest.raises(InputError, match=r"stage\.2\.airflow_factor"):
        fit(case, trials, ("stage.2.leakage",))


# -- refused


@pytest.mark.parametrize(
    ("text", "key", "said_so"),
    [
        ("stage.1.measured.exhaust_temperature [degC],measured.moisture [%]\n60,10\n", "exhaust", "changes all"),
        ("stage.3.measured.moisture [%]\n12\n", "stage.3", "a column is|did you mean"),
        ("cooler.bed_depth [cm],measured.moisture [%]\n12,12\n", "cooler", r"did you mean stage\.\d\.bed_depth"),
        ("stage.2.duration [min],measured.moisture [%]\n12,12\n", "stage.2.duration", "did you mean|a column is"),
        ("stage.1.feed.moisture [%],measured.moisture [%]\n22,12\n", "stage.1.feed", "did you mean|a column is"),
        ("stage.1.bed_depth [degC],measured.moisture [%]\n12,12\n", "stage.1.bed_depth", "unit"),
        ("stage.1.measured.moisture [%]\n30\n", "stage.1.measured.moisture", "swapped"),
        ("stage.1.measured.temperature [degC]\n150\n", "stage.1.measured.temperature", "degF"),
        ("measured.moisture [%],stage.2.measured.moisture [%]\n10,10\n", "measured.moisture", "two columns"),
        ("stage.1.bed_depth [cm]\n12\n", "measured", "needs what was measured"),
    ],
)  # fmt: skip
def test_trials_that_cannot_be(base: Case, tmp_path: Path, text: str, key: str, said_so: str) -> None:
    with pytest.raises(InputError) as raised:
        fit(base, written(tmp_path, text))
    fault = next(f for f in raised.value.faults if key in f.key)
    assert re.search(said_so, f"{fault.found} {fault.allowed}"), fault


def test_numbers_of_a_stage_need_its_number(base: Case, six) -> None:
    cases, read = six
    with pytest.raises(InputError, match=r"stage\.1\.airflow_factor"):
        fit(base, trials_of(cases, read), ("airflow_factor", "diffusivity"))
    with pytest.raises(InputError, match="counter-flow coolers only"):
        fit(base, trials_of(cases, read), ("stage.1.leakage",))
    with pytest.raises(InputError, match="shows in the exhaust only"):
        fit(base, trials_of(cases, read), ("stage.2.leakage",))
    with pytest.raises(ValueError, match=r"stage\.3\.moisture"):
        trials_of(cases, {"stage.3.moisture": 0.1})


def test_a_cooler_takes_no_stages(tmp_path: Path) -> None:
    cooler = level("humid-delta")
    with pytest.raises(InputError, match=r"stage\.1\.measured\.moisture"):
        read_trials(cooler, written(tmp_path, "stage.1.measured.moisture [%]\n12\n"))


def test_a_trial_that_fails_is_named(base: Case, six, monkeypatch: pytest.MonkeyPatch) -> None:
    cases, read = six

    def fails(*given: object, **how: object) -> None:
        raise NotConverged("a step in time became too short", np.array([8]), None)

    monkeypatch.setattr(differences.line, "run", fails)
    with pytest.raises(NotConverged, match="trial 3"):  # of six, 8 is the third of the second set
        fit(base, trials_of(cases, read))
