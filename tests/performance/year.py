"""A year of weather against its hours one by one: `predict` and SciPy's collocation.

How to run, from the top of the repository (about two minutes; nothing else should be busy):

    python tests/performance/year.py
    python tests/performance/year.py --hours 10      # quick look

Prints seconds and hours per second of a year at the settings that stand in the scenario, by map and direct, of the
whole study (chart, all strategies, monthly tables) and its memory; then of single `predict` calls, and of
solve_bvp seeded with our own solution on its mesh (peers.py says what that row means), both on hours drawn at
random (seeded) from the same year; with the largest deviation of each from `predict` on 64 cells × 48 shells.
"""

from __future__ import annotations

import argparse
import dataclasses
import resource
import sys
import time
import warnings
from pathlib import Path

import lines
import numpy as np
from lines import Unsolved
from peers import BVP_LADDER, REFERENCE, exits

import coolsim
from coolsim.model.bed import take
from coolsim.model.solve import Resolution, solve
from coolsim.scenario.weather import read_weather
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.inputs import bed_of, gather
from coolsim.simulate.prediction import predict
from coolsim.studies.years import seasons
from coolsim.studies.years.hours import judged_hours
from coolsim.studies.years.site import as_it_is, mapped, read, site_of

SCENARIO = Path(__file__).parents[2] / "scenarios" / "monsoon-year.toml"
ROUNDS = 3
BAR = 0.02, 0.1  # points and K: what a year may differ from its single hours


def all_day(case):
    """The case at work in all 8760 hours."""
    weather = dataclasses.replace(case.weather, operating_hours=None)
    return dataclasses.replace(case, weather=weather)


def timed(work, rounds=1):
    """The result, and the median seconds."""
    seconds = []
    for _ in range(rounds):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    return result, float(np.median(seconds))


def row(name, hours, seconds, error=None):
    text = f"{name:44s}{seconds:9.2f} s{hours / seconds:12.1f} hours/s"
    if error is not None:
        text += f"   within {np.nanmax(np.abs(error[0])):.4f} points, {np.nanmax(np.abs(error[1])):.3f} K"
    print(text, flush=True)


def collocation(bed, cells, shells, tolerance):
    """Exit by solve_bvp from our solution of a bed of one; the seed is not in the time. NaN where it fails."""
    with on_one_thread():
        seed = solve(bed, resolution=Resolution(cells, shells))[-1]
    try:
        return timed(lambda: lines.solve_bvp(seed, tolerance, True))
    except (Unsolved, RuntimeError, ValueError, np.linalg.LinAlgError):
        return (np.nan, np.nan), np.nan


def year(site, direct):
    """The hours with the settings as they are."""
    return judged_hours(site, as_it_is(site), read(site, None if direct else mapped(site)))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=int, default=50, help="hours solved one by one")
    count = parser.parse_args().hours
    warnings.simplefilter("ignore")  # overflows in iterates of the peer
    case = all_day(coolsim.replace(coolsim.load(SCENARIO), {"cooler.depth_deviation": "0 %"}))
    weather = read_weather(case)
    site, total = site_of(case, weather), len(weather.air.temperature)
    at = np.sort(np.random.default_rng(50).choice(total, count, replace=False))
    air = coolsim.Air(
        *(np.broadcast_to(getattr(weather.air, f.name), total)[at] for f in dataclasses.fields(weather.air))
    )
    reference = exits(predict(case, air=air, resolution=REFERENCE))

    def error(moisture, temperature):
        return 100 * (np.asarray(moisture) - reference[0]), np.asarray(temperature) - reference[1]

    print(f"{SCENARIO.stem}: {total} hours")
    for name, direct in (("a year by map", False), ("a year direct", True)):
        hours, seconds = timed(lambda d=direct: year(site, d), ROUNDS)
        row(name, total, seconds, error(hours.outcome.moisture[at], hours.outcome.temperature[at]))
    study, seconds = timed(lambda: seasons(case))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    row(f"the whole study, {len(study.strategies)} strategies", total * len(study.strategies), seconds)
    print(f"  largest memory {memory / 2**30:.2f} GiB")

    ones = [
        coolsim.Air(*(float(getattr(air, f.name)[k]) for f in dataclasses.fields(air))) for k in range(count)
    ]
    cases = [dataclasses.replace(case, air=one) for one in ones]
    single, seconds = timed(lambda: [exits(predict(one)) for one in cases], ROUNDS)
    row(f"{count} hours, predict one by one", count, seconds, error(*zip(*single)))
    beds = bed_of(gather(cases))
    for tolerance, cells, shells in BVP_LADDER[:3]:
        mesh = round(16 * cells), round(12 * shells)
        found = [collocation(take(beds, np.array([k])), *mesh, tolerance) for k in range(count)]
        seconds = np.array([s for _, s in found])
        failed = int(np.isnan(seconds).sum())
        off = error(*zip(*(e for e, _ in found)))
        row(
            f"{count} hours, solve_bvp seeded, tolerance {tolerance:g}",
            count - failed,
            np.nansum(seconds),
            off,
        )
        if failed:
            print(f"  {failed} without an answer")
        if np.nanmax(np.abs(off[0])) <= BAR[0] and np.nanmax(np.abs(off[1])) <= BAR[1]:
            break


if __name__ == "__main__":
    main()
