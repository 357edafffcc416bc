"""A fit to trials on a dryer whose numbers are known, its slopes, and what it must refuse."""

from __future__ import annotations

import dataclasses
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
from shipped import level
from studies.fit_world import OVEN, THERMOMETER, with_numbers
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case
from coolsim.cli import app
from coolsim.scenario import loads
from coolsim.scenario.readings import DOUBTED
from coolsim.scenario.trials import Trials, read_trials, trials_of
from coolsim.simulate import dryer_simulation
from coolsim.studies import differences
from coolsim.studies.differences import with_more_air
from coolsim.studies.fitting import fit, march_model
from coolsim.studies.fitting.estimate import estimated
from coolsim.studies.fitting.model import said
from coolsim.studies.fitting.parameters import PARAMETERS, USUAL
from coolsim.studies.fitting.run import posed
from coolsim.support.errors import InputError, NotConverged

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
TRUE = {"diffusivity": 6e-10, "isotherm_shift": 0.015, "specific_heat": 1760.0}
REPETITIONS = int(os.environ.get("COOLSIM_FIT_REPETITIONS", "6"))
SMALL = """
title = "small batch"
[feed]
material = "floating-fish-feed"
diameter = "4 mm"
length = "5 mm"
throughput = "60 kg/h"
temperature = "70 degC"
moisture = "20 %"
[air]
temperature = "28 degC"
relative_humidity = "70 %"
[cooler]
arrangement = "batch"
floor_area = "1 m2"
bed_depth = "6 cm"
duration = "12 min"
airflow = "1300 m3/h"
inlet_air_temperature = "80 degC"
"""


@pytest.fixture(scope="module")
def base() -> Case:
    return loads(SMALL)


def settings(case: Case, count: int, seed: int) -> list[Case]:
    """The batch with other feeds, airs, airflows and times."""
    draw = np.random.default_rng(seed).uniform
    cases = []
    for _ in range(count):
        feed = dataclasses.replace(case.feed, moisture=draw(0.17, 0.23), temperature=draw(55.0, 85.0))
        air = dataclasses.replace(case.air, temperature=draw(22.0, 34.0), relative_humidity=draw(0.5, 0.9))
        cooler = dataclasses.replace(
            case.cooler,
            duration=60 * draw(5.0, 25.0),
            airflow=draw(900.0, 1500.0) / 3600,
            inlet_air_temperature=draw(60.0, 95.0),
        )
        cases.append(dataclasses.replace(case, feed=feed, air=air, cooler=cooler))
    return cases


def exits(cases: list[Case]) -> np.ndarray:
    # Beyond the door that refuses what cannot be: a step of a slope may lead to a leakage a little below nothing.
    out = coolsim.predict.__wrapped__(cases).pellets_out
    return np.array([out.moisture_wb, out.temperature])


@pytest.fixture(scope="module")
def eight(base: Case):
    cases = settings(base, 8, 0)
    return cases, exits([with_numbers(c, **TRUE) for c in cases])


def noisy(cases: list[Case], exact: np.ndarray, seed: int, noise: float = 1.0) -> Trials:
    draw = np.random.default_rng(seed).standard_normal
    M, T = exact + noise * np.array([[OVEN], [THERMOMETER]]) * draw(exact.shape)
    return trials_of(cases, {"moisture": M, "temperature": T}, {"moisture": OVEN, "temperature": THERMOMETER})


# -- right


def test_exact_trials_give_the_numbers_back(base: Case, eight) -> None:
    cases, (M, T) = eight
    exact = trials_of(cases, {"moisture": M, "temperature": T}, {"moisture": 5e-5, "temperature": 0.05})
    answer = fit(base, exact, priors=False)
    for p in answer.parameters:
        # readings about as good as the fit's mesh (0.001 point, 0.02 at worst): it may be off by one interval
        assert p.value == pytest.approx(TRUE[p.name], abs=p.high - p.low), p.name
        assert p.high - p.low < 0.4 * (p.published_high - p.published_low), p.name
    there = exits([with_numbers(base, **TRUE)])[:, 0]
    assert answer.after.moisture_wb == pytest.approx(there[0], abs=2e-4)
    assert answer.after.temperature == pytest.approx(there[1], abs=0.1)
    assert abs(answer.before.moisture_wb - there[0]) > 1e-3  # the published numbers are elsewhere
    assert coolsim.predict(answer.case).pellets_out.moisture_wb == pytest.approx(there[0], abs=3e-4)


def test_intervals_hold_the_numbers(base: Case, eight) -> None:
    """Trials of a dryer whose numbers are drawn from the priors, so 95 % of the intervals hold them. Of 40 dryers
    and three numbers 36 or fewer would be one chance in a hundred (binomial); of six dryers, 14 of 18."""
    inside, count, names = 0, 0, USUAL
    rough = dryer_simulation.SURVEY  # of the lines and of the fit: what is held here is the estimator
    cases, _ = eight
    for seed in range(REPETITIONS):
        draw = np.random.default_rng(1000 + seed)
        problem = posed(base, trials_of(cases, {"moisture": [0.1] * 8}), [PARAMETERS[n] for n in names])
        line = dataclasses.replace(problem.line, resolution=rough)
        u = draw.standard_normal(len(names))
        exact = said(line, problem.before + problem.spread * u, slopes=False).readings[:2, 0]
        problem = dataclasses.replace(problem, line=line, trials=noisy(cases, exact, 5000 + seed))
        found = estimated(problem, said(line, problem.before))
        reach = 1.96 * np.sqrt(np.diag(found.covariance))
        inside += int((np.abs(found.u - u) <= reach).sum())
        count += len(u)
        assert (reach < 1.96).any()  # something was learnt
    assert inside / count >= (0.77 if count < 60 else 0.90)
    assert count < 60 or inside < count  # intervals that hold everything are too wide


@pytest.mark.parametrize("name", ["evening-batch", "belt-four-zones"])
def test_slopes_are_those_of_full_predictions(name: str) -> None:
    """Differences of the product's own predictions, on its own mesh, over steps three times as long."""
    case = level(name)
    free = [PARAMETERS[n] for n in march_model._PUT]
    problem = posed(case, trials_of([case], {"moisture": [0.1]}), free)
    at, seen = said(problem.line, problem.before, True, True), 0.0
    for k, p in enumerate(free):
        step = 0.3 * problem.spread[k]
        values = (float(p.value(problem.before[k] + way * step)) for way in (1, -1))
        up, down = (exits([march_model._PUT[p.name](problem.line.cases[0], v)])[:, 0] for v in values)
        instruments = np.array(
            [OVEN, THERMOMETER]
        )  # what a fit counts in: per deviation of the published range
        slope = at.by_theta[:2, k, 0, 0] * problem.spread[k] / instruments
        expected = (up - down) / 0.6 / instruments
        # the curve over the longer step, and what steps in time leave: 2 % of the largest slopes
        np.testing.assert_allclose(slope, expected, rtol=0.05, atol=0.3, err_msg=p.name)
        seen = max(seen, float(np.abs(expected).max()))
    assert seen > 5.0  # or the line above could not fail


def test_what_was_set_moves_the_exit_as_predictions_say(base: Case) -> None:
    problem = posed(base, trials_of([base], {"moisture": [0.1]}), [PARAMETERS["diffusivity"]])
    by_doubt = said(problem.line, problem.before, False, True).by_doubt[:2, :, 0, 0]
    for key, change in (
        ("feed.moisture", ("20.4 %", "19.6 %", 0.008)),
        ("air.temperature", ("29 degC", "27 degC", 2.0)),
        ("cooler.airflow", ("1340 m3/h", "1260 m3/h", 80 / 3600)),
        ("cooler.inlet_air_temperature", ("82 degC", "78 degC", 4.0)),
        ("cooler.bed_depth", ("6.2 cm", "5.8 cm", 0.004)),
    ):
        high, low, step = change
        up, down = (exits([coolsim.replace(base, {key: text})])[:, 0] for text in (high, low))
        expected = (up - down) / step
        found = by_doubt[:, DOUBTED.index(key)]
        np.testing.assert_allclose(found * step, expected * step, rtol=0.05, atol=2e-5)


def test_a_feed_that_is_not_known_exactly_counts_less(base: Case, eight) -> None:
    cases, (M, T) = eight[0][:3], eight[1][:, :3]
    widths = []
    for doubt in ({}, {"feed.moisture": 0.005}):
        trials = trials_of(cases, {"moisture": M, "temperature": T}, doubt=doubt)
        problem = posed(base, trials, [PARAMETERS["diffusivity"]])
        found = estimated(problem, said(problem.line, problem.before))
        widths.append(float(np.sqrt(found.covariance[0, 0])))
    assert widths[1] > 1.15 * widths[0]


def test_a_belt(tmp_path: Path) -> None:
    """Its zones are columns, and its airflow factor is that of all zones."""
    case = level("belt-four-zones")
    changes = (
        {"cooler.zone.1.airflow": "8000 m3/h", "feed.moisture": "25 %"},
        {"cooler.zone.1.airflow": "6500 m3/h", "feed.moisture": "24 %"},
        {"cooler.zone.1.airflow": "9000 m3/h", "feed.moisture": "26 %"},
    )
    true = [with_more_air(coolsim.replace(case, c), 0.9) for c in changes]
    M, T = exits([with_numbers(c, diffusivity=1.0e-10) for c in true])
    rows = [
        f"{c['cooler.zone.1.airflow'].split()[0]},{c['feed.moisture'].split()[0]},{100 * m:.4f},{t:.3f}"
        for c, m, t in zip(changes, M, T)
    ]
    path = tmp_path / "belt.csv"
    head = "cooler.zone.1.airflow [m3/h],feed.moisture [%],measured.moisture [%],measured.temperature [degC]"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    answer = fit(case, path, ("diffusivity", "airflow_factor"))
    D, air = answer.parameters
    assert D.low < 1.0e-10 < D.high and D.before == pytest.approx(1.28e-10, rel=0.2)
    assert air.low < 0.9 < air.high and air.high < 1.15
    for a, b in zip(answer.case.cooler.zones, case.cooler.zones):
        assert a.airflow == pytest.approx(b.airflow * air.value)
    assert answer.next and all(m.within_wb < answer.after.within_wb for m in answer.next)


# -- refused


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "trials.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "key", "said_so"),
    [
        ("measured.moisture [%],measured.exhaust_temperature [degC]\n12,60\n", "exhaust", "changes all the time"),
        ("cooler.duratoin [min],measured.moisture [%]\n12,12\n", "duratoin", "cooler.duration"),
        ("cooler.zone.1.airflow [m3/h],measured.moisture [%]\n900,12\n", "zone", "did you mean|a column is"),
        ("cooler.duration [min],measured.moisture [%]\n12,140\n", "measured.moisture", "65 %"),
        ("cooler.duration [min],measured.moisture [%]\n12,22\n", "measured.moisture", "swapped"),
        ("cooler.duration [min],measured.temperature [degC]\n12,140\n", "measured.temperature", "degF"),
        ("cooler.duration [degC],measured.moisture [%]\n12,12\n", "cooler.duration", "unit"),
        ("cooler.duration [min]\n12\n", "measured", "needs what was measured"),
    ],
)  # fmt: skip
def test_trials_that_cannot_be(base: Case, tmp_path: Path, text: str, key: str, said_so: str) -> None:
    with pytest.raises(InputError) as raised:
        fit(base, written(tmp_path, text))
    fault = next(f for f in raised.value.faults if key in f.key)
    assert re.search(said_so, f"{fault.found} {fault.allowed}")


def test_what_is_not_of_dryers(base: Case, eight) -> None:
    cases, (M, T) = eight
    with pytest.raises(InputError, match="airflow_factor"):
        fit(base, trials_of(cases, {"moisture": M}), ("leakage",))
    with pytest.raises(InputError, match="changes all the time"):
        fit(base, trials_of(cases, {"moisture": M, "exhaust_temperature": T}))
    with pytest.raises(InputError, match="open"):
        fit(base, trials_of(cases[:1], {"moisture": M[:1]}), priors=False)


def test_a_cooler_takes_no_keys_of_dryers(tmp_path: Path) -> None:
    cooler = level("humid-delta")
    with pytest.raises(InputError, match=r"cooler\.duration"):
        read_trials(cooler, written(tmp_path, "cooler.duration [min],measured.moisture [%]\n12,12\n"))


def test_a_trial_that_fails_is_named(base: Case, eight, monkeypatch: pytest.MonkeyPatch) -> None:
    cases, (M, _) = eight

    def fails(*given: object, **how: object) -> None:
        raise NotConverged("a step in time became too short", np.array([10]), None)

    monkeypatch.setattr(differences.dryer_simulation, "dry", fails)
    with pytest.raises(NotConverged, match="trial 3"):  # of eight, 10 is the third of the second set
        fit(base, trials_of(cases, {"moisture": M}))


# -- as typed


def test_command(base: Case, tmp_path: Path) -> None:
    scenario = tmp_path / "small.toml"
    scenario.write_text(SMALL, encoding="utf-8")
    minutes = (8, 16, 24)
    true = [with_numbers(coolsim.replace(base, {"cooler.duration": f"{t} min"}), **TRUE) for t in minutes]
    M, T = exits(true)
    rows = "\n".join(f"{t},{100 * m:.2f},{temp:.1f}" for t, m, temp in zip(minutes, M, T))
    head = "cooler.duration [min],measured.moisture [%],measured.temperature [degC]"
    trials, material = written(tmp_path, f"{head}\n{rows}\n"), tmp_path / "mine.toml"
    words = [
        "fit",
        str(scenario),
        "--trials",
        str(trials),
        "-o",
        str(material),
        "--json",
        str(tmp_path / "a.json"),
    ]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0 and "a trial of" in done.stdout, done.output
    answer = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    numbers = {p["name"]: p for p in answer["parameters"]}
    assert numbers["diffusivity"]["low"] < 6e-10 < numbers["diffusivity"]["high"]
    again = CliRunner().invoke(
        app, ["predict", str(scenario), "--set", f"feed.material={material}", "--json", "-"]
    )
    after = json.loads(again.stdout)["pellets_out"]["moisture_wb"]
    assert after == pytest.approx(answer["exit"]["after"]["moisture_wb"], abs=3e-4)
