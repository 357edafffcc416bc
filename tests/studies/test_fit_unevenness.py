"""A deviation of the depth from moistures at several places: by hand, in simulated trials, from files."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import coolsim
from coolsim.case.case import Case
from coolsim.scenario.trials import Places, Trials, read_trials, trials_of
from coolsim.studies.fitting.unevenness import unevenness_of
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COOLER = coolsim.load(SCENARIOS / "humid-delta.toml")
BATCH = coolsim.load(SCENARIOS / "evening-batch.toml")
ERROR = 0.002 / 1.96  # of a usual oven


def uneven(case: Case, share: float) -> Case:
    changed = dataclasses.replace(case.cooler, depth_deviation=share, depth_deviation_length=None)
    return dataclasses.replace(case, cooler=changed)


def between(case: Case, share: float) -> tuple[float, float]:
    """Mean and standard deviation of the moisture of the pellets that leave."""
    told = coolsim.predict(uneven(case, share))
    return float(told.pellets_out.moisture_wb), float(told.between_pellets.deviation_wb)


def sampled(mean: float, deviation: float, count: int) -> list[float]:
    """Moistures with exactly this mean and standard deviation (that of n − 1)."""
    x = np.linspace(-1, 1, count)
    return list(mean + deviation * x / x.std(ddof=1))


def trials(case: Case, places: list[list[float]]) -> Trials:
    return trials_of([case] * len(places), {"moisture": 0.0 * np.arange(len(places)) + 0.1}, places=places)


def test_places_by_hand():
    """11.6, 11.9 and 12.3 %: mean 11.9333, squares .1111 + .0011 + .1344 = .2467, deviation √(.2467/2) = .3512."""
    places = Places.of([[0.116, 0.119, 0.123], [], [0.12]], np.full(3, 0.001))
    assert places.count.tolist() == [3, 0, 1]
    assert places.deviation == pytest.approx([0.003512, 0, 0], abs=1e-6)
    assert places.of_mean() == pytest.approx([0.003651 / 3**0.5, 0.001, 0.001], abs=1e-6)
    given = trials(COOLER, [[0.116, 0.119, 0.123], []])
    assert given.measured[0] == pytest.approx([0.119333, 0.1], abs=1e-6)
    assert given.some([1]).places.count.tolist() == [0]


@pytest.mark.parametrize(
    "case, share", [(COOLER, 0.1), (COOLER, 0.25), pytest.param(BATCH, 0.1, marks=pytest.mark.thorough)]
)
def test_scatter_of_a_known_unevenness_gives_it_back(case, share):
    """Places that scatter as the bed and the oven do together: variances add."""
    mean, deviation = between(case, share)
    places = [sampled(mean, float(np.hypot(deviation, ERROR)), 12)]
    found = unevenness_of(trials(case, places), [])
    assert found.depth_deviation == pytest.approx(share, rel=0.03)
    assert found.low < share < found.high and (found.trials, found.places) == (1, 12)


def test_what_the_oven_scatters_by_is_no_unevenness():
    even = uneven(
        dataclasses.replace(COOLER, cooler=dataclasses.replace(COOLER.cooler, speed_deviation=None)), 0.0
    )
    found = unevenness_of(trials(even, [sampled(0.116, 0.8 * ERROR, 8)]), [])
    assert found.depth_deviation == 0.0 and found.low == 0.0 and found.high > 0.02
    assert unevenness_of(trials(even, [[]]), []) is None
    assert unevenness_of(trials(even, [[0.12]]), []) is None  # a place is none


@pytest.mark.thorough
def test_intervals_hold_what_they_say():
    """Forty simulated trials of ten places at 15 %: the interval of 95 % holds it in all but a few."""
    rng, mean, deviation = np.random.default_rng(17), *between(COOLER, 0.15)
    sigma = float(np.hypot(deviation, ERROR))
    found = [unevenness_of(trials(COOLER, [list(rng.normal(mean, sigma, 10))]), []) for _ in range(40)]
    held = np.mean([f.low <= 0.15 <= f.high for f in found])
    assert held >= 0.85  # 38 expected; 33 or fewer come by chance once in 60
    assert np.median([f.depth_deviation for f in found]) == pytest.approx(0.15, rel=0.15)


@pytest.mark.thorough
def test_a_line_is_sampled_behind_its_last_machine():
    line = coolsim.load(SCENARIOS / "dryer-then-cooler.toml")
    found = unevenness_of(trials(line, [sampled(0.098, 0.01, 6)]), [])
    assert found.depth_deviation > 0.05 and found.before == pytest.approx(0.03 / 0.5)


def test_a_cell_may_hold_several_places(tmp_path):
    path = tmp_path / "trials.csv"
    path.write_text("trial,measured.moisture [%],measured.temperature [degC]\n"
                    "a,11.6 11.9 12.3,34.1\nb,11.8,34.0\n", encoding="utf-8")  # fmt: skip
    given = read_trials(COOLER, path)
    assert given.places.count.tolist() == [3, 0]
    assert given.measured[0] == pytest.approx([0.119333, 0.118], abs=1e-6)
    path.write_text("trial;measured.moisture [%]\na;11,6 11,9 12,3\n", encoding="utf-8")
    assert read_trials(COOLER, path).places.deviation == pytest.approx([0.003512], abs=1e-6)
    path.write_text(
        "trial,measured.moisture [%],measured.temperature [degC]\na,11.6,34 35\n", encoding="utf-8"
    )
    with pytest.raises(InputError, match=r"measured\.temperature"):
        read_trials(COOLER, path)


def test_a_fit_tells_it_and_prints_how_to_state_it(tmp_path):
    from coolsim.output import fits as printed
    from coolsim.output.page import Page

    mean, deviation = between(COOLER, 0.15)
    cell = " ".join(f"{100 * M:.3f}" for M in sampled(mean, float(np.hypot(deviation, ERROR)), 10))
    path = tmp_path / "trials.csv"
    path.write_text(
        f"trial,measured.moisture [%],measured.temperature [degC]\na,{cell},34.8\n", encoding="utf-8"
    )
    answer = coolsim.fit(COOLER, path)
    assert answer.unevenness.depth_deviation == pytest.approx(0.15, abs=0.02)
    share = f'depth_deviation = "{100 * answer.unevenness.depth_deviation:.1f} %"'
    assert share in " ".join(printed.fitted(COOLER, answer, Page()).split())
    written = printed.document(COOLER, answer, "s.toml", "0")["unevenness"]
    assert written["places"] == 10 and written["before"] == pytest.approx(0.03 / 0.55)
