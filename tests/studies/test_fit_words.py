"""What a fit says of what it found: nothing twice and differently, and no harm without a word."""

from __future__ import annotations

import dataclasses
import re
from types import MappingProxyType

import numpy as np
import pytest
from studies.fit_world import OVEN, THERMOMETER, exits, scenario, settings, with_numbers

from coolsim.case.case import Case, Provenance
from coolsim.scenario.trials import Trials, trials_of
from coolsim.studies.fitting import fit
from coolsim.studies.fitting.answer import FitAnswer


@pytest.fixture(scope="module")
def base() -> Case:
    return scenario()


def on(cases: list[Case], M: np.ndarray, T: np.ndarray) -> Trials:
    return trials_of(cases, {"moisture": M, "temperature": T}, {"moisture": OVEN, "temperature": THERMOMETER})


def words(answer: FitAnswer) -> list[str]:
    return [*answer.alike, *(w.text for w in answer.warnings)]


def known(case: Case, share: float) -> Case:
    """The case with a diffusivity that an earlier fit found to a share."""
    D = case.material.diffusivity.value
    before = Provenance("an earlier fit", False, D / (1 + share), D * (1 + share))
    provenance = MappingProxyType({**case.material.provenance, "diffusivity": before})
    return dataclasses.replace(case, material=dataclasses.replace(case.material, provenance=provenance))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_trial_makes_a_number_less_known(base: Case, seed: int) -> None:
    """What was known from before scatters with none of the new readings, however wildly these do."""
    case = known(base, 0.05)
    cases = settings(case, 3, seed)
    M, T = exits(cases)
    draw = np.random.default_rng(seed).standard_normal
    trials = on(cases, M + 5 * OVEN * draw(3), T + 5 * THERMOMETER * draw(3))
    (D,) = fit(case, trials, ("diffusivity",)).parameters
    assert np.log(D.high / D.low) <= 1.02 * np.log(D.published_high / D.published_low)


def test_intervals_that_grow_are_said(base: Case) -> None:
    """Without what was known, six trials know less than an earlier fit did."""
    case = known(base, 0.2)
    cases = settings(case, 6, 4)
    M, T = exits(cases)
    answer = fit(case, on(cases, M, T), ("diffusivity",), priors=False)
    (D,) = answer.parameters
    assert D.high - D.low > 1.1 * (D.published_high - D.published_low)
    assert any("diffusivity is wider by these trials than before" in text for text in words(answer))
    wide = fit(base, on(cases, M, T), ("diffusivity",), priors=False)
    assert not any("wider by these trials" in text for text in words(wide))


def test_a_number_is_not_near_its_range_and_outside_it(base: Case) -> None:
    """Two trials that scatter, of a feed whose diffusivity lies far outside."""
    cases = settings(base, 2, 0)
    M, T = exits([with_numbers(c, specific_heat=2200.0, diffusivity=5e-9) for c in cases])
    draw = np.random.default_rng(0).standard_normal
    trials = on(cases, M + 3 * OVEN * draw(2), T + 5 * THERMOMETER * draw(2))
    answer = fit(base, trials, ("diffusivity", "isotherm_shift", "specific_heat", "activation_energy"))
    outside = [text.split()[0] for text in words(answer) if "lies outside its published range" in text]
    assert outside == ["diffusivity"]
    (D, *_) = answer.parameters
    assert D.value > D.published_high
    assert not [t for t in words(answer) if t.startswith("diffusivity") and "value is still nearly" in t]


def test_a_material_that_predicts_worse_by_itself_is_said(base: Case) -> None:
    """Feed that was moister than stated and dries faster: each hid the other, and the material tells but one."""
    cases = settings(base, 6, 8)

    def really(case: Case) -> Case:
        feed = dataclasses.replace(case.feed, moisture=case.feed.moisture + 0.006)
        return with_numbers(dataclasses.replace(case, feed=feed), diffusivity=1e-8)

    M, T = exits([really(c) for c in cases])
    answer = fit(base, on(cases, M, T), ("diffusivity", "feed_moisture_bias"))
    told = [text for text in words(answer) if "by itself" in text]
    # the material in the file alone, on the trials as they were set
    alone = exits([dataclasses.replace(c, material=answer.case.material) for c in cases])
    off = [
        np.sqrt((((M - m) / OVEN) ** 2 + ((T - t) / THERMOMETER) ** 2).mean() / 2) / 1.96
        for m, t in (exits(cases), alone)
    ]
    assert off[1] > 1.1 * off[0]
    (text,) = told
    assert "without feed_moisture_bias" in text and "worse than the material before" in text
    found = [float(x) for x in re.findall(r"\d\.\d\d", text)]
    assert found[:2] == pytest.approx([off[1], off[0]], abs=0.02)
    silent = fit(base, on(cases, *exits(cases)), ("diffusivity", "feed_moisture_bias"))
    assert not [text for text in words(silent) if "worse" in text]
