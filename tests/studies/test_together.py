"""Numbers of one fit err together: from the fit through its material file to every later prediction."""

from __future__ import annotations

import dataclasses
import datetime
import math
from types import MappingProxyType

import numpy as np
import pytest
from shipped import level_text
from studies.fit_world import OVEN, exits, scenario, settings, with_numbers

import coolsim
from coolsim.case.case import Case, Provenance
from coolsim.output.material_file import material_file
from coolsim.physics.correlations import Correlation, among, correlation
from coolsim.scenario.trials import trials_of
from coolsim.simulate.prediction import _spread
from coolsim.studies.fitting import fit
from coolsim.studies.fitting.answer import FitAnswer
from coolsim.studies.propagation import (
    NORMAL_95,
    correlate,
    correlation_of,
    groups_of,
    uncertainty,
    unknowns_of,
)
from coolsim.studies.surrogate import normal, shares_of
from coolsim.support.fields import with_number

FREE = ("diffusivity", "specific_heat")


def half(found: coolsim.studies.propagation.Uncertainty) -> float:
    return (found.moisture_wb.high - found.moisture_wb.low) / 2


def without(case: Case, *names: str) -> Case:
    """The case with no range but those of some numbers."""
    kept = {name: case.material.provenance[name] for name in names}
    return dataclasses.replace(
        case, material=dataclasses.replace(case.material, provenance=MappingProxyType(kept))
    )


def apart(case: Case) -> Case:
    return dataclasses.replace(case, material=dataclasses.replace(case.material, correlation=None))


# -- by hand, on two numbers


@pytest.fixture(scope="module")
def pair() -> Case:
    """Diffusivity to ± 4 %, the isotherm to ± 1 %, and nothing else."""
    case = scenario()
    D, scale = case.material.diffusivity.value, case.material.isotherm.scale
    known = {
        "diffusivity": Provenance("made up", False, D / 1.04, D * 1.04),
        "isotherm_scale": Provenance("made up", False, 0.99 * scale, 1.01 * scale),
    }
    return dataclasses.replace(
        case, material=dataclasses.replace(case.material, provenance=MappingProxyType(known))
    )


def correlated(case: Case, r: float) -> Case:
    R = Correlation(("isotherm_scale", "diffusivity"), ((1.0, r), (r, 1.0)))
    return dataclasses.replace(case, material=dataclasses.replace(case.material, correlation=R))


def moves(case: Case) -> tuple[float, float]:
    """What the exit moisture does from the middle of each range to its end, as central differences."""
    D, scale = case.material.diffusivity.value, case.material.isotherm.scale
    ends = [
        with_number(case, path, value * change)
        for path, value, by in (
            ("material.diffusivity.value", D, 1.04),
            ("material.isotherm.scale", scale, 1.01),
        )
        for change in (by, 2 - by)
    ]
    M, _ = exits(ends)
    return (M[0] - M[1]) / 2, (M[2] - M[3]) / 2


@pytest.mark.parametrize("r", [-0.9, 0.0, 0.9])
def test_an_interval_is_that_of_linear_theory(pair: Case, r: float) -> None:
    """u² = a² + b² + 2 r a b (GUM, JCGM 100:2008, eq. 16), a and b the moves from each number's own ±.

    The exit falls with diffusivity and rises with the isotherm: a and b have opposite signs, so r = −0.9 widens.
    """
    a, b = moves(pair)
    assert a < 0 < b and min(abs(a), b) > 0.3 * max(abs(a), b)  # or r would hardly matter
    expected = math.sqrt(a**2 + b**2 + 2 * r * a * b)
    found = uncertainty(correlated(pair, r), samples=256)
    assert half(found) == pytest.approx(expected, rel=0.02)
    if r:
        assert half(uncertainty(apart(pair), samples=256)) != pytest.approx(expected, rel=0.2)


def test_numbers_of_one_fit_share_what_they_make(pair: Case) -> None:
    found = uncertainty(
        correlated(coolsim_feed(pair), -0.9), samples=256
    )  # feed's moisture stays a contributor of its own
    (both,) = [c for c in found.contributors if c.parts]
    assert both.name == "diffusivity and isotherm_scale" and both.low is None
    assert [(p.name, p.low, p.high) for p in both.parts] == [
        (name, known.low, known.high) for name, known in pair.material.provenance.items()
    ]
    a, b = moves(pair)
    fed = np.diff(exits([with_number(pair, "feed.moisture", m) for m in (0.139, 0.141)])[0])[0] / 2
    together = a**2 + b**2 - 1.8 * a * b
    assert both.moisture_share == pytest.approx(together / (together + fed**2), abs=0.02)


def coolsim_feed(case: Case) -> Case:
    from coolsim.scenario.plus_minus import PlusMinus

    assert case.feed.moisture == pytest.approx(0.14)
    return dataclasses.replace(case, plus_minus={"feed.moisture": PlusMinus(14.0, 0.1, "%")})


def test_what_predict_leaves_open_knows_of_it(pair: Case) -> None:
    """The same linear theory for the band; within 5 %: its ends are solved on a coarser mesh."""
    a, b = moves(pair)
    for r in (-0.9, 0.9):
        band = coolsim.predict(correlated(pair, r), band=True).input_band
        low, high = band.moisture_wb
        assert (high - low) / 2 == pytest.approx(math.sqrt(a**2 + b**2 + 2 * r * a * b), rel=0.05)


def test_a_band_by_hand() -> None:
    """Moves of +3 and −4 (each number to its high end), their opposites at the low ends: 5 alone, 1 together."""
    varied = 10 + np.array([-3.0, 3.0, 4.0, -4.0])
    assert _spread(10.0, varied, np.eye(2)) == pytest.approx((5.0, 15.0))
    rising = np.array([[1.0, 0.999999], [0.999999, 1.0]])
    assert _spread(10.0, varied, rising) == pytest.approx((9.0, 11.0), abs=0.01)
    assert _spread(10.0, varied, 2 * np.eye(2) - rising) == pytest.approx((3.0, 17.0), abs=0.01)


def test_a_range_that_reaches_zero_has_straight_halves(pair: Case) -> None:
    """A logarithm has no zero: 26 kJ/mol within 0 to 30 lies at its ends at ± 1.96."""
    known = {"activation_energy": Provenance("made up", False, 0.0, 30e3)}
    law = dataclasses.replace(pair.material.diffusivity, activation_energy=26e3)
    material = dataclasses.replace(pair.material, provenance=MappingProxyType(known), diffusivity=law)
    (unknown,) = unknowns_of(dataclasses.replace(pair, material=material))
    (change,) = unknown.changes(np.array([-NORMAL_95, 0.0, NORMAL_95])).values()
    np.testing.assert_allclose(26e3 + change, [0.0, 26e3, 30e3], atol=1e-6)


def test_a_fitted_slope_with_moisture_is_varied_too(pair: Case) -> None:
    """Its range may lie on both sides of zero; before, only the other numbers of its fit were varied."""
    law = dataclasses.replace(pair.material.diffusivity, moisture_slope=2.0, at_moisture=0.16)
    known = {"moisture_slope": Provenance("made up", False, -6.0, 10.0)}
    material = dataclasses.replace(pair.material, provenance=MappingProxyType(known), diffusivity=law)
    case = dataclasses.replace(pair, material=material)
    path = "material.diffusivity.moisture_slope"
    ends = np.sort(exits([with_number(case, path, end) for end in (-6.0, 10.0)])[0])
    found = uncertainty(case, samples=64)
    assert (found.moisture_wb.low, found.moisture_wb.high) == pytest.approx(tuple(ends), abs=1e-4)  # its mesh
    assert ends[1] - ends[0] > 5e-4
    low, high = coolsim.predict(case, band=True).input_band.moisture_wb
    assert (low, high) == pytest.approx(tuple(ends), abs=1e-4)


# -- samples


def test_samples_have_the_correlation() -> None:
    R = np.array([[1.0, -0.9, 0.3], [-0.9, 1.0, 0.0], [0.3, 0.0, 1.0]])
    z = correlate(R, normal(3, 4096, seed=1))
    np.testing.assert_allclose(np.corrcoef(z), R, atol=0.02)
    np.testing.assert_allclose(z.std(axis=1), 1.0, atol=0.02)


def test_groups_are_what_is_connected() -> None:
    """0 with 2, 2 with 4, though not 0 with 4; 1 and 3 alone."""
    R = np.eye(5)
    R[0, 2] = R[2, 0] = 0.5
    R[2, 4] = R[4, 2] = -0.2
    group = groups_of(R)
    assert group[0] == group[2] == group[4]
    assert len({group[0], group[1], group[3]}) == 3 and max(group) == 2


def test_the_share_of_a_group_by_hand() -> None:
    """y = z0 + z1 z2 + 2 z3, groups (0), (1, 2), (3): variances 1, 1 and 4."""
    z = normal(4, 1024, seed=3)
    y = z[0] + z[1] * z[2] + 2 * z[3]
    np.testing.assert_allclose(shares_of(z, y, [0, 1, 1, 2]), [1 / 6, 1 / 6, 4 / 6], atol=0.02)


# -- from trials to a file to a prediction


@pytest.fixture(scope="module")
def answer() -> FitAnswer:
    """Moisture alone was measured: heat that lasts longer and a faster diffusion explain it as well."""
    base = scenario()
    cases = settings(base, 10, 0)
    true = [with_numbers(c, diffusivity=6e-10, specific_heat=1760.0) for c in cases]
    M = exits(true)[0] + 0.5 * OVEN * np.random.default_rng(3).standard_normal(10)
    return fit(base, trials_of(cases, {"moisture": M}, {"moisture": 0.5 * OVEN}), FREE)


@pytest.fixture(scope="module")
def read_back(answer: FitAnswer, tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = tmp_path_factory.mktemp("mill")
    text = material_file(scenario(), answer, "humid-delta.toml", datetime.date(2026, 1, 2))
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    mill = level_text("humid-delta").replace("floating-fish-feed", "mine.toml")
    (folder / "mill.toml").write_text(mill, encoding="utf-8")
    return coolsim.load(folder / "mill.toml")


def test_the_file_carries_the_correlation_of_the_fit(answer: FitAnswer, read_back: Case) -> None:
    assert answer.correlation[0, 1] < -0.9  # what the test needs
    known = read_back.material.correlation
    assert known is not None and known.names == FREE
    np.testing.assert_allclose(known.matrix, answer.correlation, atol=1e-7)
    R = correlation_of(read_back, unknowns_of(read_back))
    assert np.count_nonzero(R - np.eye(len(R))) == 2


def test_a_later_prediction_is_as_sure_as_the_fit(answer: FitAnswer, read_back: Case) -> None:
    """The fit tells the exit's ± from its own slopes and covariance; the file leads to the same, without none."""
    only = without(read_back, *FREE)
    found = uncertainty(only, samples=512)
    assert half(found) == pytest.approx(answer.after.within_wb, rel=0.06)
    assert half(uncertainty(apart(only), samples=512)) > 1.7 * answer.after.within_wb


def test_a_second_fit_keeps_what_the_first_knew(read_back: Case) -> None:
    """Of numbers that it leaves alone; what it frees errs by itself from then on."""
    cases = settings(read_back, 3, 5)
    M, T = exits(cases)
    answer = fit(read_back, trials_of(cases, {"moisture": M, "temperature": T}), ("isotherm_shift",))
    known, before = answer.case.material.correlation, read_back.material.correlation
    assert known is not None and before is not None
    assert known.names == ("isotherm_scale", *FREE)
    np.testing.assert_allclose(among(known, before.names), before.matrix)
    assert among(known, ("isotherm_scale", "diffusivity"))[0, 1] == 0.0


def test_a_correlation_that_rounding_could_break_is_kept_off_the_edge() -> None:
    kept = correlation(("a", "b"), np.array([[1.0, 1.0], [1.0, 1.0]]))
    assert np.linalg.eigvalsh(kept.matrix)[0] > 1e-6
    assert kept.matrix[0][1] == pytest.approx(1.0, abs=1e-4)
    assert correlation(("a", "b"), [[1.0, -0.9], [-0.9, 1.0]]).matrix == ((1.0, -0.9), (-0.9, 1.0))
