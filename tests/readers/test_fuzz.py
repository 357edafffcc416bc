"""Whatever is read or asked, the answer is an answer or faults, soon: no traceback, and no number that is none.

    COOLSIM_FUZZ_SECONDS=3600 python -m pytest -n 0 -m thorough tests/readers/test_fuzz.py

COOLSIM_FUZZ_SECONDS: for how long in all (half a minute). COOLSIM_FUZZ_COUNT: how many of each instead of a time,
such as "scenarios=20000,weather=5000,trials=2000,cases=2000". COOLSIM_FUZZ_SEED: where to begin (20181).
"""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.strategies import tuples
from readers import strategies

import coolsim
from coolsim.scenario import loads
from coolsim.scenario.trials import read_trials
from coolsim.scenario.weather import load_weather
from coolsim.support.errors import CoolsimError, InputError, NotConverged
from coolsim.support.fields import numbers

pytestmark = [
    pytest.mark.thorough,
    pytest.mark.filterwarnings(
        "ignore::hypothesis.errors.HypothesisWarning"
    ),  # of examples too long to print
]

SECONDS = float(os.environ.get("COOLSIM_FUZZ_SECONDS", "30"))
SEED = int(os.environ.get("COOLSIM_FUZZ_SEED", "20181"))
COUNTS = dict(part.split("=") for part in os.environ.get("COOLSIM_FUZZ_COUNT", "").split(",") if part)
LONGEST = 10.0  # s of a processor for one of them
LONGEST_MESSAGE = 20_000  # characters
BATCHED = 250  # draws between two looks at the clock
UNITS = {
    "temperature": "degC", "relative_humidity": "%", "pressure": "kPa", "wet_bulb": "degC", "dew_point": "degC",
    "humidity_ratio": "g/kg",
}  # fmt: skip


def campaign(name: str, share: float, strategy: Any, ask: Callable[[Any], Any]) -> None:
    """Draw and ask for a share of the time, or as often as is asked for; batch by batch, each from its own seed."""
    told: Counter[str] = Counter()
    slowest, end = 0.0, time.monotonic() + share * SECONDS
    wanted, batch = int(COUNTS.get(name, 0)), 0
    while told.total() < wanted if wanted else time.monotonic() < end or not batch:
        left = min(BATCHED, wanted - told.total()) if wanted else BATCHED // 10 if SECONDS < 600 else BATCHED

        @seed(SEED + batch)
        @settings(
            max_examples=left,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(strategy)
        def one(drawn: Any) -> None:
            nonlocal slowest
            begin = time.process_time()
            told[answered(ask, drawn)] += 1
            took = time.process_time() - begin
            slowest = max(slowest, took)
            assert took < LONGEST, f"{took:.1f} s"

        one()
        batch += 1
        if wanted and batch % 4 == 0:
            print(f"{name}: {told.total()} so far, {dict(told)}, slowest {slowest:.2f} s", flush=True)
    print(
        f"\n{name}: {told.total()} from seed {SEED} ({batch} batches), {dict(told)}, slowest {slowest:.2f} s"
    )


def answered(ask: Callable[[Any], Any], drawn: Any) -> str:
    """How something was answered; any exception but ours goes through."""
    try:
        answer = ask(drawn)
    except InputError as error:
        text = str(error)
        assert error.faults and all(f.key and f.found and f.allowed for f in error.faults), text
        assert len(text) < LONGEST_MESSAGE and "\x1b" not in text, text[:500]
        return "faults"
    except NotConverged as error:
        assert str(error)
        return "not computed"
    except TypeError as error:  # of what is asked, not of what it holds: told in words of ours
        assert "takes one case" in str(error) or "replaces the air" in str(error), error
        return "refused"
    except CoolsimError:
        return "refused"
    return answer


@pytest.mark.thorough
def test_scenarios() -> None:
    def ask(text: str) -> str:
        loads(text, "mill.toml")
        return "read"

    campaign("scenarios", 0.3, strategies.scenarios(), ask)


@pytest.mark.thorough
def test_weather_files(tmp_path: Path) -> None:
    def ask(file: tuple[str, bytes]) -> str:
        name, data = file
        (tmp_path / name).write_bytes(data)
        weather = load_weather(tmp_path / name, UNITS)
        for values in (weather.temperature, weather.relative_humidity, weather.pressure):
            assert len(values) and np.isfinite(values).all()
        assert (weather.relative_humidity <= 1).all() and (np.diff(weather.time).astype(float) >= 0).all()
        return "read"

    campaign("weather", 0.2, strategies.weather_files(), ask)


@pytest.mark.thorough
def test_trials(tmp_path: Path) -> None:
    line = loads(strategies.COOLER)

    def ask(data: bytes) -> str:
        (tmp_path / "t.csv").write_bytes(data)
        trials = read_trials(line, tmp_path / "t.csv")
        assert len(trials) and np.isfinite(trials.deviation).all() and not np.isinf(trials.measured).any()
        return "read"

    campaign("trials", 0.2, strategies.trials(), ask)


@pytest.mark.thorough
@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_cases() -> None:
    def ask(asked: tuple[Any, Any]) -> str:
        case, air = asked
        result = coolsim.predict(case, air=air)
        for part in (result.feed_in, result.pellets_out, result.air_out, result.bed):
            for name, value in numbers(part).items():
                assert np.isfinite(value), name
        assert (
            np.isfinite(result.pellets_out.moisture_wb).all()
            and np.isfinite(result.air_out.temperature).all()
        )
        return "answered"

    campaign("cases", 0.3, tuples(strategies.cases(), strategies.airs()), ask)
