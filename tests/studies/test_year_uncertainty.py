"""How sure a year is: its parts against single solves, the whole against plain random samples of every hour."""

from __future__ import annotations

import dataclasses
import os

import numpy as np
import pytest
from shipped import level
from weather.files import typical_year_as_epw

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.machines.plant import outcome_of
from coolsim.scenario.weather import Weather, load_weather
from coolsim.studies.outcome_rows import pack
from coolsim.studies.propagation.samples import MESH
from coolsim.studies.propagation.unknowns import varied
from coolsim.studies.surrogate import normal
from coolsim.studies.years import propagation, uncertainty_samples
from coolsim.studies.years.propagation import unknowns_of_year, year_uncertainty
from coolsim.studies.years.site import HourlySettings, Site, as_it_is, mapped, read, site_of
from coolsim.studies.years.study import seasons
from coolsim.studies.years.uncertainty_samples import SampledYear
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

PLAIN = int(os.environ.get("COOLSIM_PLAIN_YEARS", "256"))  # 4096 for a sharper look: 2 min
KNOWN_TO = {
    "feed.moisture": "13.6 ± 0.4 %",
    "cooler.airflow": "1500 ± 90 m3/h",
    "cooler.bed_depth": "0.6 ± 0.03 m",
}
TARGET = 0.1065


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Weather:
    path = tmp_path_factory.mktemp("real") / "year.epw"
    path.write_text(typical_year_as_epw())
    return load_weather(path)


@pytest.fixture(scope="module")
def night() -> Case:
    base = level("monsoon-night")
    return coolsim.replace(base, KNOWN_TO | {"target.moisture": f"{100 * TARGET} %"})


def in_hours(case: Case, weather: Weather, rows: np.ndarray) -> list[Case]:
    columns = (weather.temperature, weather.relative_humidity, weather.pressure)
    return [dataclasses.replace(case, air=Air(*(float(c[r]) for c in columns))) for r in rows]


def sampled(site: Site) -> SampledYear:
    """The year with the settings as they are."""
    return SampledYear(site, as_it_is(site), read(site, mapped(site)).rows)


def test_what_a_sample_moves_is_that_of_single_solves(night: Case, real: Weather) -> None:
    """Hours of the whole year that no state stands for, samples far out: on the full mesh, one by one."""
    weather = real.rows(slice(None, None, 4))
    site = site_of(night, weather)
    unknowns, _ = unknowns_of_year(night)
    z = np.random.default_rng(1).choice([-1.6, -0.8, 0.8, 1.6], (len(unknowns), 64))
    cases = varied(night, unknowns, z)
    world = SampledYear(site, as_it_is(site), None)  # type: ignore[arg-type]
    moves = propagation._moves(world, unknowns, z)
    rows = np.random.default_rng(2).choice(len(weather), 25, replace=False)
    here = pack(outcome_of(coolsim.predict(in_hours(night, weather, rows))))
    for k in (0, 1, 2, 3):
        there = pack(outcome_of(coolsim.predict(in_hours(cases[k], weather, rows))))
        found = (moves.design @ moves.coefficients[:, k]).T[:, rows]
        size = np.abs(there[0] - here[0]).max()
        assert size > 1e-3  # or the test would see nothing
        np.testing.assert_allclose(found[0], there[0] - here[0], atol=2e-4)  # 0.02 point
        np.testing.assert_allclose(found[1], there[1] - here[1], atol=0.15)  # K
        np.testing.assert_allclose(found[4], there[4] - here[4], atol=2e-3)  # of the logarithm of pressure
    assert moves.moisture_error < 1e-4


def test_a_spread_is_that_of_plain_random_samples(night: Case, real: Weather) -> None:
    """24 hours, each predicted for each of PLAIN random samples; sums and their quantiles by hand.

    Within three standard errors of the plain quantiles, their density taken from the samples around them.
    """
    weather = real.rows(np.arange(40, len(real), 365)[:24])
    site = site_of(night, weather)
    found = year_uncertainty(sampled(site))
    unknowns, _ = unknowns_of_year(night)
    z = np.random.default_rng(3).standard_normal((len(unknowns), PLAIN))
    rows = np.arange(len(weather))
    samples = [case for sample in varied(night, unknowns, z) for case in in_hours(sample, weather, rows)]
    out = [coolsim.predict(samples[k : k + 3000], resolution=MESH) for k in range(0, len(samples), 3000)]
    M, T = (
        np.concatenate([getattr(o.pellets_out, name) for o in out]).reshape(PLAIN, -1)
        for name in ("moisture_wb", "temperature")
    )
    full, rough = (
        coolsim.predict(in_hours(night, weather, rows), **how) for how in ({}, {"resolution": MESH})
    )
    M = M + full.pellets_out.moisture_wb - rough.pellets_out.moisture_wb
    T = T + full.pellets_out.temperature - rough.pellets_out.temperature
    fed = np.array([c.feed.moisture for c in samples]).reshape(PLAIN, -1)
    solid = 3600 * night.feed.throughput * (1 - fed)
    sums = {
        "too_wet": weather.step * (M > TARGET).sum(axis=1),
        "moisture_wb": M.mean(axis=1),
        "temperature": T.mean(axis=1),
        "product": weather.step * (solid / (1 - M)).sum(axis=1),
        "given_away": weather.step * np.maximum(solid / (1 - TARGET) - solid / (1 - M), 0.0).sum(axis=1),
    }
    assert 0.05 < (sums["too_wet"] == 0).mean() < 0.9  # a kink is in it
    for name, y in sums.items():
        interval = getattr(found, name)
        for q, value in zip((0.025, 0.5, 0.975), (interval.low, interval.middle, interval.high)):
            error = np.sqrt(q * (1 - q) / PLAIN)
            low, high = np.quantile(y, [max(q - 3 * error, 0.0), min(q + 3 * error, 1.0)])
            slack = 0.01 * (interval.high - interval.low)
            assert low - slack <= value <= high + slack, (name, q)


def test_equal_hours_make_a_year_of_one(night: Case, real: Weather) -> None:
    """400 times the same hour: the mean exit's interval is that of the hour itself, as `uncertainty` tells it."""
    once = real.rows(np.full(400, 2000))
    site = site_of(night, once)
    found = year_uncertainty(sampled(site)).moisture_wb
    (there,) = in_hours(night, once, np.array([0]))
    alone = coolsim.uncertainty(there).moisture_wb
    for a, b in zip(dataclasses.astuple(found), dataclasses.astuple(alone)):
        assert a == pytest.approx(b, abs=0.012 * (alone.high - alone.low))


def test_shares_of_a_year_by_linear_theory(night: Case, real: Weather) -> None:
    """Two inputs with a small ±, nothing else: squares of slope times error, each slope a central difference."""
    from types import MappingProxyType

    small = {
        "feed.moisture": "13.6 ± 0.05 %",
        "cooler.airflow": "1500 m3/h",
        "cooler.bed_depth": "0.6 ± 0.01 m",
    }
    case = coolsim.replace(night, small)
    case = dataclasses.replace(
        case, material=dataclasses.replace(case.material, provenance=MappingProxyType({}))
    )
    weather = real.rows(slice(0, None, 150))
    rows, moves = np.arange(len(weather)), {}
    for key, ends in (("feed.moisture", ("13.55 %", "13.65 %")), ("cooler.bed_depth", ("0.59 m", "0.61 m"))):
        M = [
            np.mean(
                coolsim.predict(
                    in_hours(coolsim.replace(night, small | {key: end}), weather, rows)
                ).pellets_out.moisture_wb
            )
            for end in ends
        ]
        moves[key] = (M[1] - M[0]) / 2
    site = site_of(case, weather)
    found = year_uncertainty(sampled(site))
    total = sum(m**2 for m in moves.values())
    assert {c.name for c in found.contributors} == set(moves)
    for c in found.contributors:
        assert c.moisture_share == pytest.approx(moves[c.name] ** 2 / total, abs=0.02)
    half = (found.moisture_wb.high - found.moisture_wb.low) / 2
    assert half == pytest.approx(np.sqrt(total), rel=0.03)


def test_settings_of_a_chart_are_off_as_the_scenario_says(night: Case, real: Weather) -> None:
    """By hand: an airflow 6 % high, a bed 0.03 of 0.6 m deep, feed 0.4 point moist; on what a chart sets."""
    site = site_of(night, real.rows(slice(0, 3)))
    unknowns = [u for u in unknowns_of_year(night)[0] if u.name in KNOWN_TO]
    cooler = night.cooler
    set_so = dataclasses.replace(cooler, airflow=2 * cooler.airflow, bed_depth=cooler.bed_depth / 2)
    settings = HourlySettings((dataclasses.replace(night, cooler=set_so),), np.zeros(3, int))
    world = SampledYear(site, settings, None)  # type: ignore[arg-type]
    (moved,) = world.samples_of(settings.cases[0], unknowns, np.full((3, 1), 1.959963984540054))
    np.testing.assert_allclose(moved.cooler.airflow, 1.06 * set_so.airflow, rtol=1e-9)
    np.testing.assert_allclose(moved.cooler.bed_depth, 1.05 * set_so.bed_depth, rtol=1e-9)
    np.testing.assert_allclose(moved.feed.moisture, 0.140, rtol=1e-9)


def test_the_weather_is_exact(night: Case, real: Weather) -> None:
    humid = coolsim.replace(night, {"air.relative_humidity": "90 ± 5 %"})
    names = [u.name for u in unknowns_of_year(humid)[0]]
    assert "air.relative_humidity" not in names and "feed.moisture" in names
    weather = real.rows(slice(0, 8))
    found = seasons(humid, weather=weather, chart=False, uncertainty=True).strategies[0].sure
    assert found is not None and found.left_out == ("air.relative_humidity",)


def test_what_cannot_be_asked(night: Case, real: Weather) -> None:
    from types import MappingProxyType

    bare = {"feed.moisture": "13.6 %", "cooler.airflow": "1500 m3/h", "cooler.bed_depth": "0.6 m"}
    case = coolsim.replace(night, bare | {"air.relative_humidity": "90 ± 5 %"})
    case = dataclasses.replace(
        case, material=dataclasses.replace(case.material, provenance=MappingProxyType({}))
    )
    with pytest.raises(InputError, match=r"only air\.relative_humidity with a ±"):
        seasons(case, weather=real, uncertainty=True)
    site = site_of(night, real.rows(slice(0, 2)))
    with pytest.raises(ValueError, match="at least 64"):
        year_uncertainty(sampled(site), samples=50)


def test_a_fan_without_an_airflow_is_refused(night: Case, real: Weather) -> None:
    case = coolsim.replace(coolsim.replace(night, {"cooler.airflow": "1500 m3/h"}), {"fan.speed": "80 %"})
    assert case.cooler.airflow is None
    with pytest.raises(InputError, match=r"cooler\.airflow"):
        seasons(case, weather=real)


def test_samples_that_cannot_be_solved_count_nowhere(night: Case, real: Weather, monkeypatch) -> None:
    site, true = site_of(night, real.rows(slice(0, 4))), uncertainty_samples.predicted
    year = sampled(site)

    def failing(site, cases, mesh):
        found = true(site, cases, mesh)
        found[:, 4 : 4 + 4 * 10] = np.nan
        return found

    monkeypatch.setattr(uncertainty_samples, "predicted", failing)
    found = year_uncertainty(year, samples=64)
    assert (found.samples, found.unsolved) == (54, 10)


def test_samples_of_the_year_are_those_of_the_surrogate() -> None:
    """The year's inputs and its exits must belong to the same samples: both are normal(…, YEARS, seed)."""
    z = normal(2, 64, seed=9)
    moves = propagation._Moves(np.ones((1, 1)), (2 * z[0] - z[1])[None, :, None], np.ones(64, bool), 0.0)
    found = np.array([m[0, 0] for m in moves.many(z, 9)])
    there = normal(2, propagation.YEARS, seed=9)
    np.testing.assert_allclose(found, 2 * there[0] - there[1], atol=1e-9)
