"""Many cases at once: what is kept of each, and the memory that it takes."""

import dataclasses
import importlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from laws.domain import sample
from shipped import level

import coolsim
from coolsim.model.solve import Resolution
from coolsim.scenario import loads, template
from coolsim.simulate import uneven_beds
from coolsim.simulate.result_building import MOST_WITH_PROFILE, Part, part_of
from coolsim.support.errors import InputError
from coolsim.support.fields import numbers, with_number

predicting = importlib.import_module("coolsim.simulate.prediction")
MEMORY = """
import sys
import numpy as np
import coolsim
from coolsim.model.solve import Resolution
case, rng, n = coolsim.load(sys.argv[1]), np.random.default_rng(8760), int(sys.argv[2])
case = coolsim.replace(case, {"cooler.depth_deviation": sys.argv[3], "cooler.speed_deviation": "0 %"})
mesh = Resolution(*map(int, sys.argv[4:6]), refinements=0)
coolsim.predict(case, resolution=mesh)
air = coolsim.Air(rng.uniform(5, 38, n), rng.uniform(0.3, 0.98, n), rng.uniform(9.6e4, 1.02e5, n))
coolsim.predict(case, air=air, resolution=mesh)
# Not getrusage: it tells the highest of the process that started this one, where that had more.
print(next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM")) / 1024)
"""
EVEN = Path(__file__).parents[2] / "scenarios" / "humid-delta.toml"


MANY = int(os.environ.get("COOLSIM_MANY", "12000"))  # 24000 is what was asked of it once

QUICKLY = Resolution(4, 4, refinements=0)  # how many are kept has nothing to do with the mesh


def states(count: int) -> coolsim.Air:
    rng = np.random.default_rng(count)
    return coolsim.Air(rng.uniform(5, 38, count), rng.uniform(0.3, 0.98, count))


def test_profiles_are_kept_of_a_thousand_and_of_more_if_asked() -> None:
    case = level("humid-delta")
    few, many = states(MOST_WITH_PROFILE), states(MOST_WITH_PROFILE + 1)
    kept = coolsim.predict(case, air=few, resolution=QUICKLY).kept_profile
    assert kept.z.shape[0] == MOST_WITH_PROFILE
    without = coolsim.predict(case, air=many, resolution=QUICKLY)
    assert without.profile is None
    asked = coolsim.predict(case, air=many, profile=True, resolution=QUICKLY)
    assert asked.kept_profile.z.shape[0] == MOST_WITH_PROFILE + 1
    assert np.array_equal(asked.pellets_out.moisture_wb, without.pellets_out.moisture_wb)
    last = asked.kept_profile.mean_moisture[:, -1]
    assert last == pytest.approx(asked.pellets_out.moisture_db, rel=1e-9)


def test_profiles_are_left_out_where_nobody_wants_them() -> None:
    case = level("humid-delta")
    one = coolsim.predict(case, profile=False)
    assert one.profile is None and one.warnings == coolsim.predict(case).warnings
    assert coolsim.predict([case, case], profile=False).profile is None
    assert coolsim.predict(loads(template("batch")), profile=False).profile is None
    with pytest.raises(InputError, match=r"profile=True"):
        coolsim.plots.bed(one)


def test_cases_of_several_forms_count_together() -> None:
    cases = [
        *(600 * sample(1, seed=3, equation="modified-halsey")),
        *(600 * sample(1, seed=4, equation="modified-oswin")),
    ]
    result = coolsim.predict(cases, resolution=QUICKLY)
    assert result.profile is None and np.isfinite(result.pellets_out.moisture_wb).all()


def highest_memory(count: int, deviation: str, cells: str, shells: str) -> float:
    """The most that a process of its own takes [MB] to predict so many cases on such a mesh."""
    command = [sys.executable, "-c", MEMORY, EVEN, f"{count}", deviation, cells, shells]
    return float(subprocess.run(command, capture_output=True, check=True).stdout)


@pytest.mark.thorough
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the highest memory is asked of Linux")
def test_memory_hardly_grows_with_the_cases() -> None:
    """Two kilobytes per case are its answer and what it takes on the way; with the states of its bed 7."""
    few, many = (highest_memory(count, "0 %", "16", "12") for count in (4000, MANY))
    assert many < 400 and many - few < (MANY - 4000) * 5e-3  # MB


DEEP = {"cooler.depth_deviation": "6 cm"}


def of_some(monkeypatch: pytest.MonkeyPatch, most: int) -> list[int]:
    """Let uneven beds be laid out for so many cases at once; the numbers of columns that were."""
    laid_out: list[int] = []
    solve = predicting.each_solved
    monkeypatch.setattr(uneven_beds, "COLUMNS", 9 * most)
    monkeypatch.setattr(
        predicting,
        "each_solved",
        lambda inputs, beds, *more: laid_out.append(len(beds.inputs.radius)) or solve(inputs, beds, *more),
    )
    return laid_out


def test_uneven_beds_are_laid_out_block_by_block(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three columns each (test_uneven); blocks know nothing of each other, so answers are the same."""
    case = coolsim.replace(level("humid-delta"), DEEP)
    moist = with_number(case, "feed.moisture", np.linspace(0.13, 0.15, 40))
    whole = coolsim.predict(moist, profile=True)
    laid_out = of_some(monkeypatch, 15)
    apart = coolsim.predict(moist, profile=True)
    assert laid_out == [42, 39, 39]
    for name, value in numbers(whole).items():
        assert numbers(apart)[name] == pytest.approx(value, rel=1e-9, abs=1e-12), name
    deep = coolsim.predict(moist, air=states(40))
    assert laid_out[3:] == [42, 39, 39] and deep.between_pellets.moisture_wb.shape == (40, 2)


def test_a_case_that_fails_has_its_number_of_all_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    case = coolsim.replace(level("humid-delta"), DEEP)
    of_some(monkeypatch, 15)
    airflow = np.full(40, 0.4)
    airflow[33] = -1.0  # behind the door, which would refuse it
    with pytest.raises(coolsim.NotConverged) as lost:
        predicting.predict(with_number(case, "cooler.airflow", airflow))
    assert lost.value.failed.tolist() == [33]
    monkeypatch.setattr(predicting, "part_of", failing)
    with pytest.raises(coolsim.NotConverged, match="7 of 40 cases") as lost:
        predicting.predict(with_number(case, "cooler.airflow", np.abs(airflow)))
    assert lost.value.failed.tolist() == [0, 14, 15, 16, 27, 28, 29]
    assert lost.value.best.pellets_out.moisture_wb.shape == (40,)


def failing(solution: Any, *more: Any) -> Part:
    """Every 14th column fails: of 14 cases those of the first, of 13 one each of the first three."""
    part = part_of(solution, *more)
    return dataclasses.replace(part, converged=part.index % 14 != 0, trouble="made up")


@pytest.mark.thorough
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the highest memory is asked of Linux")
def test_memory_hardly_grows_with_uneven_beds() -> None:
    """What is laid out has nothing to do with the mesh; 6000 fill the chunks of all processors."""
    few, many = (highest_memory(count, "6 cm", "4", "4") for count in (6000, 20_000))
    assert many < 400 and many - few < 14_000 * 1.2e-3  # MB: measured 8; laid out at once 58


def test_every_field_of_an_answer_of_many_is_there() -> None:
    result = coolsim.predict(level("humid-delta"), air=states(MOST_WITH_PROFILE + 1))
    for part in (result.pellets_out, result.air_out, result.bed, result.accuracy):
        for field in dataclasses.fields(part):
            assert np.isfinite(getattr(part, field.name)).all(), field.name
