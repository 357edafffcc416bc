"""How sure an exit is: against linear propagation, plain random samples, and variance shares by definition."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from scipy import stats
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.model.solve import Resolution
from coolsim.studies.propagation import chances
from coolsim.studies.propagation import samples as room
from coolsim.studies.propagation.run import uncertainty
from coolsim.studies.propagation.samples import EXITS, MESH, sampled
from coolsim.studies.propagation.unknowns import NORMAL_95, unknowns_of, varied
from coolsim.studies.surrogate import normal, shares_of
from coolsim.support.errors import InputError, NotConverged

PLAIN = int(os.environ.get("COOLSIM_PLAIN_SAMPLES", "4096"))  # 32768 for a sharper look: 30 s
FIELDS = {"moisture": "moisture_wb", "temperature": "temperature", "water_activity": "water_activity"}
SCENARIOS = Path(__file__).parents[2] / "scenarios"
KNOWN_TO = {
    "feed.moisture": "14 ± 0.3 %",
    "feed.temperature": "82 ± 2 degC",
    "air.relative_humidity": "78 ± 4 %",
}


@pytest.fixture(scope="module")
def case() -> Case:
    return coolsim.replace(level("humid-delta"), KNOWN_TO)


def exactly_made(case: Case) -> Case:
    """The case with a material whose numbers have no ranges."""
    return dataclasses.replace(
        case, material=dataclasses.replace(case.material, provenance=MappingProxyType({}))
    )


def test_samples_are_normal_and_even() -> None:
    z = normal(5, 512, seed=1)
    assert z.shape == (5, 512)
    np.testing.assert_allclose(z.mean(axis=1), 0.0, atol=1e-12)  # random ones: 0.044
    np.testing.assert_allclose(np.cov(z, bias=True), np.eye(5), atol=1e-12)  # random ones: 0.06
    # sorted, each is near the middle of its share; in the middle random ones stray by 1 / (2 φ(0) √512) = 0.055
    middles = stats.norm.ppf((np.arange(512) + 0.5) / 512)
    inner = slice(26, -26)
    assert np.abs(np.sort(z)[:, inner] - middles[inner]).mean() < 0.02


def test_a_small_spread_is_that_of_the_slopes(case: Case) -> None:
    """Independent errors of inputs add as squares of slope times error (GUM, JCGM 100:2008, eq. 10)."""
    small = {"feed.moisture": "14 ± 0.02 %", "feed.temperature": "82 ± 0.2 degC"}
    case = exactly_made(coolsim.replace(case, small | {"air.relative_humidity": "78 %"}))
    slopes, found = coolsim.sensitivities(case), uncertainty(case, samples=4096)
    by = {"feed.moisture": (slopes.feed_moisture, 0.0002), "feed.temperature": (slopes.feed_temperature, 0.2)}
    for exit_, interval in (("moisture_wb", found.moisture_wb), ("temperature", found.temperature)):
        parts = np.array([float(getattr(slope, exit_)) * half for slope, half in by.values()])
        half = np.sqrt((parts**2).sum())
        assert (interval.high - interval.low) / 2 == pytest.approx(half, rel=0.03)
        shares = {c.name: getattr(c, f"{exit_.removesuffix('_wb')}_share") for c in found.contributors}
        for key, part in zip(by, parts):
            assert shares[key] == pytest.approx(part**2 / half**2, abs=0.02)


@pytest.mark.thorough
def test_plain_random_samples_say_the_same(case: Case) -> None:
    """Quantiles of 512 samples are those of PLAIN random ones, by three standard errors of these alone.

    The density at a quantile comes from the plain samples around it; the polynomials get 0.5 % of the width.
    """
    found, unknowns = uncertainty(case), unknowns_of(case)
    z = np.random.default_rng(7).standard_normal((len(unknowns), PLAIN))
    out = coolsim.predict(varied(case, unknowns, z), resolution=MESH)
    centre, coarse = coolsim.predict(case), coolsim.predict(case, resolution=MESH)
    for name, exit_ in EXITS.items():
        y, interval = exit_(out) + float(exit_(centre)) - float(exit_(coarse)), getattr(found, FIELDS[name])
        width = interval.high - interval.low
        for q, value in zip((0.025, 0.5, 0.975), dataclasses.astuple(interval)):
            around = np.quantile(y, [q - 0.01, q + 0.01])
            error = np.sqrt(q * (1 - q) / PLAIN) * (around[1] - around[0]) / 0.02
            assert value == pytest.approx(np.quantile(y, q), abs=3 * error + 0.005 * width), (name, q)
            assert error < 0.015 * width  # or the line above could not fail
    met = (out.pellets_out.moisture_wb <= case.target.moisture).mean()
    assert dict(found.wishes)["moisture"] == pytest.approx(
        met, abs=3 * np.sqrt(met * (1 - met) / PLAIN) + 0.005
    )


@pytest.mark.thorough
def test_few_samples_are_as_good(case: Case) -> None:
    """What 64 samples say themselves is off by up to 6 % of the width or more; polynomials through them by 2 %."""
    few, many = uncertainty(case, samples=64, seed=3), uncertainty(case, samples=2048)
    for field in FIELDS.values():
        a, b = (np.array(dataclasses.astuple(getattr(found, field))) for found in (few, many))
        np.testing.assert_allclose(a, b, atol=0.02 * (b[2] - b[0]))


def test_the_coarse_mesh_hardly_matters(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    found = uncertainty(case, samples=128)
    monkeypatch.setattr(room, "MESH", Resolution())
    exact = uncertainty(case, samples=128)
    for a, b in zip(dataclasses.astuple(found.moisture_wb), dataclasses.astuple(exact.moisture_wb)):
        assert a == pytest.approx(b, abs=1e-4)  # 0.01 point
    for a, b in zip(dataclasses.astuple(found.temperature), dataclasses.astuple(exact.temperature)):
        assert a == pytest.approx(b, abs=0.05)


def test_shares_by_hand() -> None:
    """y = 2 z1 + z2² + z1 z3: variances 4, 2 and (together) 1, since var(z²) = 2 and var(z1 z3) = 1."""
    z = normal(3, 1024, seed=3)
    y = 2 * z[0] + z[1] ** 2 + z[0] * z[2]
    np.testing.assert_allclose(shares_of(z, y), [4 / 7, 2 / 7, 0.0], atol=0.02)
    np.testing.assert_array_equal(shares_of(z, np.ones(1024)), 0.0)


def test_shares_by_their_definition(case: Case) -> None:
    """scipy.stats.sobol_indices makes them from differences of paired samples, without any polynomial."""
    case = exactly_made(case)
    unknowns = unknowns_of(case)

    def exits(z: np.ndarray) -> np.ndarray:
        out = coolsim.predict(varied(case, unknowns, z), resolution=MESH).pellets_out
        return np.array([out.moisture_wb, out.temperature])

    rng = np.random.default_rng(11)
    indices = stats.sobol_indices(func=exits, n=512, dists=[stats.norm()] * len(unknowns), rng=rng)
    found = {c.name: (c.moisture_share, c.temperature_share) for c in uncertainty(case).contributors}
    for k, unknown in enumerate(unknowns):
        np.testing.assert_allclose(found[unknown.name], indices.first_order[:, k], atol=0.04)


def test_a_range_holds_nineteen_in_twenty(case: Case) -> None:
    """And half of the values lie below the number itself, though its range is lopsided."""
    unknown = next(u for u in unknowns_of(case) if u.name == "diffusivity")
    origin = case.material.provenance["diffusivity"]
    (path,) = unknown.changes(np.zeros(1))
    assert path == "material.diffusivity.value"
    values = case.material.diffusivity.value + unknown.changes(np.array([-NORMAL_95, 0.0, NORMAL_95]))[path]
    np.testing.assert_allclose(values, [origin.low, case.material.diffusivity.value, origin.high], rtol=1e-12)


@pytest.mark.parametrize(
    ("key", "text", "ends"),
    [
        ("feed.moisture_dry_basis", "16 ± 0.5 %", ("15.5 %", "16.5 %")),
        ("air.wet_bulb", "27 ± 0.4 degC", ("26.6 degC", "27.4 degC")),
        ("cooler.residence_time", "9 ± 1 min", ("8 min", "10 min")),
        ("cooler.air_ratio", "1.1 ± 0.1 kg/kg", ("1.0 kg/kg", "1.2 kg/kg")),
        ("feed.temperature", "180 ± 4 degF", ("176 degF", "184 degF")),
    ],
)
def test_an_input_moves_what_follows_from_it(case: Case, key: str, text: str, ends: tuple[str, str]) -> None:
    """At the ends of its ± the case is that of the scenario with the end typed in."""
    case = coolsim.replace(level("humid-delta"), {key: text})
    (unknown,) = (u for u in unknowns_of(case) if u.name == key)
    cases = varied(case, [unknown], np.array([[-NORMAL_95, NORMAL_95]]))
    for one, end in zip(cases, ends):
        there = coolsim.replace(case, {key: end})
        for part in ("feed", "air", "cooler"):
            a, b = vars(getattr(one, part)), vars(getattr(there, part))
            assert a.keys() == b.keys()
            for name, value in b.items():
                assert a[name] == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value)


def test_what_is_typed_is_not_assumed_too(case: Case) -> None:
    typed = coolsim.replace(case, {"feed.bulk_density": "600 ± 20 kg/m3"})
    assert [u.name for u in unknowns_of(typed)].count("feed.bulk_density") == 1
    assert "bulk_density" not in [u.name for u in unknowns_of(typed)]
    material = case.material.bulk_density  # the very number of the material, but with a ± of its own
    same = coolsim.replace(case, {"feed.bulk_density": f"{material} ± 20 kg/m3"})
    assert "bulk_density" not in [u.name for u in unknowns_of(same)]


def test_a_target_in_the_middle_is_met_half_the_time(case: Case) -> None:
    middle = uncertainty(case).moisture_wb.middle
    there = coolsim.replace(case, {"target.moisture": f"{100 * middle:.6f} %"})
    found = uncertainty(there)
    assert dict(found.wishes)["moisture"] == pytest.approx(0.5, abs=0.01)
    assert found.all_met is not None and found.all_met <= dict(found.wishes)["moisture"]


def test_a_fan_keeps_the_airflow_it_settles_at() -> None:
    case = level("monsoon-night")
    fixed = coolsim.replace(case, {"fan.speed": "80 %", "feed.moisture": "13.6 ± 0.2 %"})
    flow = coolsim.predict(fixed).fan
    assert flow is not None
    found = uncertainty(fixed, samples=64)
    assert (
        found.moisture_wb.low < float(coolsim.predict(fixed).pellets_out.moisture_wb) < found.moisture_wb.high
    )


def test_samples_that_fail_are_counted(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    real, share = room.predict, 0.1

    def now_and_then(cases: object, **how: object) -> object:
        if isinstance(cases, list) and len(cases) == 129:  # the case as it is comes first
            raise NotConverged("made up", np.arange(129)[-int(share * 128) :], None)
        return real(cases, **how)

    monkeypatch.setattr(room, "predict", now_and_then)
    found = uncertainty(case, samples=128)
    assert (found.samples, found.unsolved) == (116, 12)
    share = 0.6
    with pytest.raises(NotConverged):
        uncertainty(case, samples=128)


def test_what_cannot_be_asked(case: Case) -> None:
    bare = exactly_made(level("humid-delta"))
    with pytest.raises(InputError, match="±"):
        uncertainty(bare)
    with pytest.raises(ValueError, match="at least 64"):
        uncertainty(case, samples=50)


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("feed.moisture", "14 ± 20 %", "allowed is 0.1 %"),
        ("feed.moisture", "14 ± 0 %", "one ±"),
        ("feed.moisture", "14 ± -1 %", "one ±"),
        ("feed.moisture", "14 ± 1 ± 2 %", "one ±"),
        ("feed.moisture", "14 degC ± 1 %", "one ±"),
        ("feed.moisture", "14 ± 1", "one ±"),
        ("air.relative_humidity", "97 ± 5 %", "100 %"),
        ("target.moisture", "12 ± 1 %", "only those of [feed]"),
    ],
)
def test_a_pm_that_cannot_be(case: Case, key: str, text: str, said: str) -> None:
    with pytest.raises(InputError) as raised:
        coolsim.replace(case, {key: text})
    (fault,) = raised.value.faults
    assert fault.key == key and said in fault.allowed


@pytest.fixture(scope="module")
def near(case: Case) -> room.Sampled:
    return room.sampled(case, 128, 3)


@pytest.mark.parametrize(
    ("change", "laid_on"),
    [
        ({"cooler.airflow": "1700 m3/h"}, True),
        ({"cooler.bed_depth": "30 cm"}, True),
        ({"feed.diameter": "12 mm"}, True),
        ({"cooler.airflow": "200 m3/h", "cooler.bed_depth": "10 cm"}, False),
    ],
)
def test_samples_of_a_case_like_another(
    case: Case, near: room.Sampled, change: dict[str, str], laid_on: bool, monkeypatch
) -> None:
    """At other settings a few samples tell what all would; a case that is unlike is solved whole."""
    solved: list[int] = []
    predict_all = room.predicted_samples
    monkeypatch.setattr(
        room, "predicted_samples", lambda cases: (solved.append(len(cases) - 1), predict_all(cases))[1]
    )
    there = coolsim.replace(case, change)
    few, all_ = room.sampled(there, 128, 3, near=near), room.sampled(there, 128, 3)
    assert solved[:-1] == [room.AGAIN_EACH * (len(few.unknowns) + 1), *([] if laid_on else [128])]
    assert solved[-1] == 128
    for name, exits in all_.exits.items():
        np.testing.assert_allclose(
            np.quantile(few.exits[name], [0.05, 0.5, 0.95]),
            np.quantile(exits, [0.05, 0.5, 0.95]),
            atol=0.05 * np.std(exits) + 1e-12,
            err_msg=name,
        )
    for key, chance in chances.chances(all_).items():
        assert chances.chances(few)[key] == pytest.approx(chance, abs=0.01), key


def test_what_is_laid_on_even_beds_is_as_if_all_were_solved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of 128 samples some 20 are solved unevenly, the others as even beds with the difference laid on."""
    case = coolsim.load(SCENARIOS / "humid-delta.toml")
    assert case.cooler.depth_deviation_length and case.cooler.speed_deviation
    laid = sampled(case, 128)
    monkeypatch.setattr(room, "with_even_bed", lambda one: one)
    solved = sampled(case, 128)
    for name in ("moisture", "temperature", "lift_off"):
        one, other = laid.solved[name], solved.solved[name]
        spread = np.std(other)
        assert not np.array_equal(one, other)  # or the same was done twice
        some = room.UNEVEN_EACH * (len(laid.unknowns) + 1)
        assert np.abs(one[:some] - other[:some]).max() < 1e-9 * np.abs(other).max()  # those were solved
        assert np.abs(one - other).max() < 0.1 * spread
    each = [chances.chances(s) for s in (laid, solved)]
    assert all(abs(each[0][name] - chance) < 0.01 for name, chance in each[1].items())
