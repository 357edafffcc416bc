"""Many cases at once: what is kept of each, and the memory that it takes."""

import dataclasses
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from laws.domain import sample
from shipped import level

import coolsim
from coolsim.answer import MOST_WITH_PROFILE
from coolsim.errors import InputError
from coolsim.scenario import loads, template

MEMORY = """
import sys
import numpy as np
import coolsim
case, rng, n = coolsim.load(sys.argv[1]), np.random.default_rng(8760), int(sys.argv[2])
case = coolsim.replace(case, {"cooler.depth_deviation": "0 %", "cooler.speed_deviation": "0 %"})
coolsim.predict(case)
air = coolsim.Air(rng.uniform(5, 38, n), rng.uniform(0.3, 0.98, n), rng.uniform(9.6e4, 1.02e5, n))
coolsim.predict(case, air=air)
# Not getrusage: it tells the highest of the process that started this one, where that had more.
print(next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM")) / 1024)
"""
EVEN = Path(__file__).parents[2] / "scenarios" / "humid-delta.toml"


def states(count: int) -> coolsim.Air:
    rng = np.random.default_rng(count)
    return coolsim.Air(rng.uniform(5, 38, count), rng.uniform(0.3, 0.98, count))


def test_profiles_are_kept_of_a_thousand_and_of_more_if_asked() -> None:
    case = level("humid-delta")
    few, many = states(MOST_WITH_PROFILE), states(MOST_WITH_PROFILE + 1)
    assert coolsim.predict(case, air=few).kept_profile.z.shape[0] == MOST_WITH_PROFILE
    without = coolsim.predict(case, air=many)
    assert without.profile is None
    asked = coolsim.predict(case, air=many, profile=True)
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
        *sample(600, seed=3, equation="modified-halsey"),
        *sample(600, seed=4, equation="modified-oswin"),
    ]
    result = coolsim.predict(cases)
    assert result.profile is None and np.isfinite(result.pellets_out.moisture_wb).all()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the highest memory is asked of Linux")
def test_memory_hardly_grows_with_the_cases() -> None:
    """Half a kilobyte per case is its answer; with the states of its bed it was 8 kB and more."""
    few, many = (
        float(subprocess.run([sys.executable, "-c", MEMORY, EVEN, n], capture_output=True, check=True).stdout)
        for n in ("4000", "24000")
    )
    assert many < 400 and many - few < 20_000 * 5e-3  # MB


def test_every_field_of_an_answer_of_many_is_there() -> None:
    result = coolsim.predict(level("humid-delta"), air=states(MOST_WITH_PROFILE + 1))
    for part in (result.pellets_out, result.air_out, result.bed, result.accuracy):
        for field in dataclasses.fields(part):
            assert np.isfinite(getattr(part, field.name)).all(), field.name
