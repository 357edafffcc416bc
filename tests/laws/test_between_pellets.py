"""How unlike pellets are that leave together: tenths by hand, and layers of a bed against its own profile."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from shipped import level
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.physics import sorption
from coolsim.simulate.pellet_spread import between_pellets

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BATCH = level("evening-batch")


def of(moisture: object, temperature: object, solid: object) -> coolsim.case.result.BetweenPellets:
    X, T, w = (np.array(x, float).reshape(-1, 1) for x in (moisture, temperature, solid))
    return between_pellets(BATCH.material.isotherm, X, T, w, np.array([30.0]))


def test_tenths_of_a_straight_profile_by_hand():
    """X̄ from .10 to .20 along the bed: a tenth lies below .11 and above .19, and the wettest is .195 on average."""
    s = (np.arange(60) + 0.5) / 60
    order = np.random.default_rng(1).permutation(60)
    told = of((0.1 + 0.1 * s)[order], (40.0 - 20.0 * s)[order], np.ones(60))
    assert told.moisture_wb[0] == pytest.approx([0.11 / 1.11, 0.19 / 1.19], rel=1e-12)
    assert told.wettest_tenth.moisture_wb == pytest.approx(0.195 / 1.195, rel=1e-12)
    assert told.temperature[0] == pytest.approx([22.0, 38.0], rel=1e-12)
    assert told.warmest_tenth.temperature == pytest.approx(39.0, rel=1e-12)
    assert told.wettest_tenth.water_activity == pytest.approx(
        [float(sorption.water_activity(BATCH.material.isotherm, 0.195, 30.0))], rel=1e-12
    )


def test_a_tenth_is_one_of_dry_solid():
    """A twentieth of the solid at .20, the rest at .10: half of the wettest tenth is of either, .15.

    Wet basis .166667 and .090909: the deviation is √(.05 · .95) of the difference, .217945 · .075758 = .016511.
    """
    told = of([0.2, 0.1], [20.0, 50.0], [1.0, 19.0])
    assert told.wettest_tenth.moisture_wb == pytest.approx(0.15 / 1.15, rel=1e-12)
    assert told.warmest_tenth.temperature == pytest.approx(50.0, rel=1e-12)
    assert told.deviation_wb == pytest.approx([0.016511], abs=5e-7)


def highest_tenth(values: np.ndarray) -> float:
    return float(np.sort(values)[-len(values) // 10 :].mean())


@pytest.mark.parametrize("name", ["evening-batch", "belt-four-zones"])
def test_layers_of_a_bed_are_its_profile(name):
    """The last row of `layers`, read between its points at 100 000 places of equal dry solid."""
    case = level(name)
    result = coolsim.predict(case)
    told, layers = result.between_pellets, result.layers
    at = (np.arange(100_000) + 0.5) / 100_000 * case.cooler.bed_depth
    M = layers.moisture_wb[-1]
    X = np.interp(at, layers.height, M / (1 - M))
    hand = highest_tenth(X)
    assert told.wettest_tenth.moisture_wb == pytest.approx(hand / (1 + hand), abs=5e-5)
    ends = np.quantile(X, [0.1, 0.9])
    assert told.moisture_wb == pytest.approx(ends / (1 + ends), abs=5e-5)
    even = result.after_equalising
    assert told.wettest_tenth.water_activity == pytest.approx(
        sorption.water_activity(case.material.isotherm, hand, even.temperature), abs=5e-4
    )
    assert told.wettest_tenth.water_activity > even.water_activity
    assert result.pellets_out.temperature < told.warmest_tenth.temperature < result.spread.hottest


def test_pellets_that_are_turned_over_are_alike_and_so_are_those_of_a_cooler():
    over = dataclasses.replace(BATCH.cooler, mixing="continuous", reverse_every=None)
    assert coolsim.predict(dataclasses.replace(BATCH, cooler=over)).between_pellets is None
    assert coolsim.predict(level("humid-delta")).between_pellets is None


def test_of_many_it_is_told_one_by_one():
    hotter = coolsim.replace(BATCH, {"cooler.inlet_air_temperature": "66 degC"})
    both = coolsim.predict([BATCH, hotter]).between_pellets
    for k, case in enumerate((BATCH, hotter)):
        alone = coolsim.predict(case).between_pellets
        assert both.wettest_tenth.moisture_wb[k] == pytest.approx(alone.wettest_tenth.moisture_wb, abs=1e-9)
        assert both.temperature[k] == pytest.approx(alone.temperature, abs=1e-6)


@pytest.mark.thorough
def test_it_stands_in_json_and_in_the_printed_answer():
    path = str(SCENARIOS / "evening-batch.toml")
    done = CliRunner().invoke(app, ["predict", path, "--json", "-"])
    told, alone = (
        json.loads(done.stdout)["between_pellets"],
        coolsim.predict(coolsim.load(path)).between_pellets,
    )
    assert told == {
        "moisture_wb": list(alone.moisture_wb),
        "temperature_C": list(alone.temperature),
        "deviation_wb": alone.deviation_wb,
        "wettest_tenth": {
            "moisture_wb": alone.wettest_tenth.moisture_wb,
            "water_activity": alone.wettest_tenth.water_activity,
        },
        "warmest_tenth": {"temperature_C": alone.warmest_tenth.temperature},
    }
    printed = " ".join(CliRunner().invoke(app, ["predict", path]).stdout.split())
    assert f"wettest tenth {100 * alone.wettest_tenth.moisture_wb:.1f} %" in printed
