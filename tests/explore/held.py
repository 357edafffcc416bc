"""A map against `predict` at states that no fit has seen, a fifth of them in corners of the map.

python tests/explore/held.py scenarios/humid-delta.toml 500
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np

import coolsim
from coolsim.machines import machine_of
from coolsim.studies.maps.axes import case_at
from coolsim.studies.maps.outcome_map import Chart, charted

SEED = 20_261_130  # none of the map's own
AT_ONCE = 50


@dataclass(frozen=True)
class Held:
    """Errors of a map at states: moisture in points, temperature in K."""

    moisture: np.ndarray
    temperature: np.ndarray

    def words(self) -> str:
        of = ((self.moisture, "point"), (self.temperature, "K"))
        return "; ".join(
            f"{np.quantile(x, 0.5):.3f} / {np.quantile(x, 0.95):.3f} / {x.max():.3f} {unit}" for x, unit in of
        )


def states(chart: Chart, count: int) -> np.ndarray:
    """Values (axes, N): uniform over the box, the first fifth in its corners."""
    share = np.random.default_rng(SEED).random((len(chart.axes), count))
    share[:, : count // 5] = np.round(share[:, : count // 5])
    low, high = (np.array([getattr(a, end) for a in chart.axes])[:, None] for end in ("low", "high"))
    return low + share * (high - low)


def held(chart: Chart, count: int) -> Held:
    """The map against predictions, which know nothing of it."""
    values = states(chart, count)
    machine = machine_of(chart.case)
    moisture, temperature = [], []
    for part in np.array_split(values, max(1, count // AT_ONCE), axis=1):
        out = coolsim.predict([case_at(machine, chart.axes, one) for one in part.T]).pellets_out
        moisture.append(out.moisture_wb)
        temperature.append(out.temperature)
    read = chart(values)
    return Held(
        100 * np.abs(np.concatenate(moisture) - read["moisture"]),
        np.abs(np.concatenate(temperature) - read["temperature"]),
    )


if __name__ == "__main__":
    began, busy = time.time(), time.process_time()
    made = charted(coolsim.load(sys.argv[1]))
    took = time.time() - began, time.process_time() - busy
    print(f"{sys.argv[1]}: map in {took[0]:.1f} s ({took[1]:.1f} s of processor)", flush=True)
    found = held(made, int(sys.argv[2]))
    print(f"{sys.argv[1]}: median / 95 % / largest of {sys.argv[2]}: {found.words()}", flush=True)
