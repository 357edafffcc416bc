"""The budgets a user notices: one answer, a year of weather, a command, an import.

How to run, from the top of the repository (the ordinary run leaves this folder out; `-n 0`: nothing beside it):

    python -m pytest -o addopts="-q --import-mode=importlib" tests/performance/test_speed.py -s

It prints what it measured. Budgets are generous for a desktop of today and say nothing about which machine is
quicker; each is held against the median of several runs. Depends on nothing but the product and pytest.
A peer benchmark stands in peers.py.
"""

from __future__ import annotations

import atexit
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCENARIOS = [
    ROOT / "scenarios" / f"{name}.toml" for name in ("humid-delta", "cold-dry-plateau", "monsoon-night")
]
BATCHES = [ROOT / "scenarios" / f"{name}.toml" for name in ("evening-batch", "batch-to-buy")]
BELTS = [ROOT / "scenarios" / f"{name}.toml" for name in ("belt-four-zones", "belt-to-buy")]
ONE_ANSWER, ONE_BATCH = 25e-3, 0.3  # s
UNEVEN_COOLER, UNEVEN_BATCH = 3.0, 4.5  # times an even one
YEAR, YEAR_SECONDS, YEAR_MEMORY = 8760, 6.0, 1.5 * 2**30  # hours, s, bytes
COMMAND, IMPORT, REPORT = 2.0, 0.02, 6.0  # s; of the import beyond Python's own
SWEEP = 6.0  # s, of 3000 points of an uneven cooler
SEASONS = {"map": 3.0, "direct": 6.0, "whole study": 45.0}  # s, of 8760 hours
SEASONS_MEMORY = 2 * 2**30  # bytes
SETTINGS = {"two settings": 0.7, "three settings": 2.0, "window": 1.0, "size": 5.0, "50 weathers": 8.0}  # s

BYTE_CODE = tempfile.mkdtemp(prefix="coolsim-")  # kept out of the repository
atexit.register(shutil.rmtree, BYTE_CODE, ignore_errors=True)

YEAR_SCRIPT = f"""
import resource, sys, time
import numpy as np
import coolsim
case = coolsim.load(sys.argv[1])
case = coolsim.replace(case, {{"cooler.depth_deviation": "0 %", "cooler.speed_deviation": "0 %"}})
rng = np.random.default_rng(8760)
T = 17 + 11 * np.sin(np.linspace(0, 2 * np.pi, {YEAR})) + rng.normal(0, 4, {YEAR})
RH = np.clip(0.95 - 0.02 * (T - 10) + rng.normal(0, 0.1, {YEAR}), 0.15, 0.99)
air = coolsim.Air(T, RH, case.air.pressure)
times = []
for _ in range(3):
    start = time.perf_counter()
    result = coolsim.predict(case, air=air)
    times.append(time.perf_counter() - start)
assert np.isfinite(result.accuracy.moisture_error_wb).all()
scale = 1 if sys.platform == "darwin" else 1024  # ru_maxrss is in bytes there, in KiB on Linux
print(sorted(times)[1], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * scale)
"""


def run(*arguments):
    """Output of Python in a process of its own that sees this copy of the product, and its wall time [s]."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": BYTE_CODE}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package has its byte code
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
        env=environment,
    )
    return done.stdout, time.perf_counter() - start


def median_wall(*arguments, runs=5):
    run(*arguments)  # byte code and file cache
    return statistics.median(run(*arguments)[1] for _ in range(runs))


def level(path):
    """A scenario with a level bed: what it takes beside that has a test of its own."""
    import coolsim

    deviations = {"cooler.depth_deviation": "0 %"}
    if path not in BATCHES:
        deviations["cooler.speed_deviation"] = "0 %"
    return coolsim.replace(coolsim.load(path), deviations)


def warm_answer(path, runs):
    """Median time of predictions, after two that load what they need [s]."""
    import coolsim

    case = level(path)
    times = []
    for _ in range(runs + 2):
        start = time.perf_counter()
        coolsim.predict(case)
        times.append(time.perf_counter() - start)
    seconds = statistics.median(times[2:])
    print(f"\npredict, {path.stem}: {1e3 * seconds:.1f} ms")
    return seconds


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda p: p.stem)
def test_one_warm_answer(path):
    assert warm_answer(path, 23) <= ONE_ANSWER


@pytest.mark.parametrize("path", BATCHES, ids=lambda p: p.stem)
def test_one_warm_batch(path):
    """Both turn their air, every 5 and every 6 min."""
    assert warm_answer(path, 7) <= ONE_BATCH


@pytest.mark.parametrize("path", [*SCENARIOS, *BATCHES, *BELTS], ids=lambda p: p.stem)
def test_an_uneven_bed_takes_a_few_times_as_long(path):
    """3 × 3 columns of a cooler or belt, 3 of a batch; processor time, the least of several."""
    import coolsim

    even, runs = level(path), 15 if path in SCENARIOS else 3
    keys = {"cooler.depth_deviation": "10 %"} | (
        {} if path in BATCHES else {"cooler.speed_deviation": "10 %"}
    )
    seconds = []
    for case in (even, coolsim.replace(even, keys)):
        coolsim.predict(case)
        times = []
        for _ in range(runs):
            start = time.process_time()
            coolsim.predict(case)
            times.append(time.process_time() - start)
        seconds.append(min(times))
    print(f"\nuneven, {path.stem}: {seconds[1] / seconds[0]:.2f} times {1e3 * seconds[0]:.1f} ms")
    assert seconds[1] <= (UNEVEN_COOLER if path in SCENARIOS else UNEVEN_BATCH) * seconds[0]


@pytest.mark.parametrize("path", SCENARIOS[::2], ids=lambda p: p.stem)
def test_a_year_of_weather(path):
    """8760 answers with their error estimates, and the largest memory that took."""
    seconds, memory = map(float, run("-c", YEAR_SCRIPT, path)[0].split())
    print(f"\n{YEAR} outside airs, {path.stem}: {seconds:.2f} s, {memory / 2**30:.2f} GiB")
    assert seconds <= YEAR_SECONDS
    assert memory < YEAR_MEMORY


def test_command_from_cold():
    seconds = median_wall("-c", "from coolsim.cli import main; main()", "predict", SCENARIOS[0])
    print(f"\ncoolsim predict: {seconds:.2f} s")
    assert seconds <= COMMAND


@pytest.mark.parametrize("name", ["humid-delta", "monsoon-night", "cooler-to-buy"])
def test_report_from_cold(name, tmp_path):
    """With settings; of the last with a size, too. A year of weather takes as long as the year."""
    scenario = ROOT / "scenarios" / f"{name}.toml"
    command = ("-c", "from coolsim.cli import main; main()", "report", scenario, "-o", tmp_path / "r.html")
    seconds = median_wall(*command, runs=3)
    print(f"\ncoolsim report, {name}: {seconds:.2f} s")
    assert seconds <= REPORT


def test_import():
    empty = median_wall("-c", "pass")
    seconds = median_wall("-c", "import coolsim")
    print(f"\nimport coolsim: {seconds:.3f} s, of which Python itself {empty:.3f} s")
    assert seconds - empty <= IMPORT


def test_a_sweep():
    """Sixty airflows and fifty depths, from numbers of the reader to a frame."""
    import numpy as np

    import coolsim

    case = coolsim.load(SCENARIOS[0])
    values = {"cooler.airflow": np.linspace(500, 2400, 60), "cooler.bed_depth": np.linspace(0.2, 1.2, 50)}
    start = time.perf_counter()
    found = coolsim.sweep(case, values, units={"cooler.airflow": "m3/h"}, progress=False)
    seconds = time.perf_counter() - start
    print(f"\n3000 points: {seconds:.2f} s")
    assert found.failed == 0 and seconds <= SWEEP


def test_settings_and_sizes():
    """Median of five (of the slow ones three), after a first that loads what it needs."""
    import numpy as np

    import coolsim

    night, year, buy = (
        level(ROOT / "scenarios" / f"{name}.toml")
        for name in ("monsoon-night", "monsoon-year", "cooler-to-buy")
    )
    rng = np.random.default_rng(50)
    fifty = coolsim.Air(rng.uniform(15, 36, 50), rng.uniform(0.5, 0.98, 50), night.air.pressure)
    asked = {
        "two settings": (5, lambda: coolsim.find_settings(night)),
        "three settings": (5, lambda: coolsim.find_settings(year)),
        "window": (5, lambda: coolsim.reachable(night)),
        "size": (3, lambda: coolsim.size(buy)),
        "50 weathers": (3, lambda: coolsim.find_settings(night, air=fifty)),
    }
    assert asked.keys() == SETTINGS.keys()
    coolsim.find_settings(night)
    over = {}
    for name, (runs, ask) in asked.items():
        times = []
        for _ in range(runs):
            start = time.perf_counter()
            ask()
            times.append(time.perf_counter() - start)
        seconds = statistics.median(times)
        print(f"\n{name}: {seconds:.2f} s ({min(times):.2f}–{max(times):.2f}), limit {SETTINGS[name]:g}")
        if seconds > SETTINGS[name]:
            over[name] = seconds
    assert not over


def test_a_year_and_its_strategies():
    """year.py measures: by map, direct, the whole study, and the largest memory of it all."""
    out, _ = run(ROOT / "tests" / "performance" / "year.py", "--hours", "2")
    print("\n" + out)
    for name, limit in SEASONS.items():
        (line,) = (line for line in out.splitlines() if name in line)
        assert float(line.split(" s ")[0].split()[-1]) <= limit
    (line,) = (line for line in out.splitlines() if "memory" in line)
    assert float(line.split()[-2]) * 2**30 <= SEASONS_MEMORY
