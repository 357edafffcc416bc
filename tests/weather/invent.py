"""A year of weather in a monsoon delta, invented: nobody measured it.

    python tests/weather/invent.py --write

writes scenarios/monsoon-year.csv. Temperature and dew point are a year's wave, a day's wave and seeded noise that
forgets over a day or two; the numbers were chosen to look like a low coast near 10° north (judgement, no source).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

FILE = Path(__file__).parents[2] / "scenarios" / "monsoon-year.csv"
SEED = 20230701
ZONE = "+07:00"


def noise(rng: np.random.Generator, count: int, size: float, hours: float) -> np.ndarray:
    """Return noise of a standard deviation `size` that forgets over so many hours."""
    keep = np.exp(-1 / hours)
    fresh = rng.normal(0, size * np.sqrt(1 - keep**2), count)
    values = np.empty(count)
    last = 0.0
    for k, step in enumerate(fresh):
        last = keep * last + step
        values[k] = last
    return values


def weather() -> str:
    """Return the year as CSV."""
    rng = np.random.default_rng(SEED)
    hour = np.arange(8760)
    year = 2 * np.pi * hour / 8760
    rains = np.clip(np.sin(year - 1.9) + 0.35, 0, 1)  # from May to the end of October
    day = np.cos(2 * np.pi * (hour % 24 - 14) / 24)  # warmest at two in the afternoon
    T = 27.2 + 1.9 * np.cos(year - 1.9) + (4.6 - 1.6 * rains) * day + noise(rng, 8760, 1.1, 30)
    dew = 20.0 + 4.8 * rains + 0.5 * day + noise(rng, 8760, 1.3, 40)
    dew = np.minimum(dew, T - 0.1)
    # Magnus' formula with the constants of Alduchov and Eskridge 1996 (memory, high)
    RH = 100 * np.exp(17.625 * dew / (243.04 + dew) - 17.625 * T / (243.04 + T))
    times = np.datetime64("2023-01-01T00", "h") + hour
    lines = [
        "# Invented weather of a monsoon delta; nobody measured it. Made by tests/weather/invent.py, seed "
        f"{SEED}.",
        "time,temperature,relative_humidity",
    ]
    lines += [f"{time}:00{ZONE},{t:.1f},{h:.0f}" for time, t, h in zip(times, T, RH)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("usage: python tests/weather/invent.py --write")
    FILE.write_text(weather(), encoding="utf-8")
