"""Lines: what is handed on, what stands by, and beds cut in two, which must be as one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import jn_zeros, jv
from shipped import level

import coolsim
from coolsim.case.case import Case, Line, Stage
from coolsim.case.machine import Batch, Cooler
from coolsim.case.streams import Air
from coolsim.model import drying
from coolsim.model.bed import Bed, Fed
from coolsim.model.leaving import Leaving
from coolsim.model.pellet_shells import Shells, on_shells, shaped_shells, shells
from coolsim.model.stand_by import after_standing
from coolsim.model.surface import REAL
from coolsim.physics import air
from coolsim.scenario import loads
from coolsim.simulate.inputs import bed_of, gather
from coolsim.simulate.prediction import predict  # behind the public door, which refuses so little air

COOLER = level("humid-delta")
WET = """
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "8 mm"
throughput = "600 kg/h"
temperature = "70 degC"
moisture = "20 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
arrangement = "batch"
floor_area = "2 m2"
bed_depth = "12 cm"
duration = "12 min"
airflow = "2000 m3/h"
inlet_air_temperature = "80 degC"
"""


def line(case: Case, *stages: Stage) -> Case:
    return dataclasses.replace(case, cooler=Line(stages))


# ---- Stand-by ---------------------------------------------------------------------------------------------


def constant_bed(radius: float) -> Bed:
    """Pellets whose diffusivity hangs on nothing."""
    law = dataclasses.replace(COOLER.material.diffusivity, activation_energy=0.0)
    case = dataclasses.replace(COOLER, material=dataclasses.replace(COOLER.material, diffusivity=law))
    return dataclasses.replace(bed_of(gather([case])), radius=np.array([radius]))


def heap(bed: Bed, sh: Shells, X: np.ndarray, T: float = 60.0) -> Leaving:
    mean = (sh.volume * X).sum(axis=0)
    Q = (sh.volume * bed.bound_water(X)[0]).sum(axis=0)
    H = REAL.pellet_enthalpy(bed, mean, np.array([T]), Q)
    one = np.ones(1)
    return Leaving(bed, sh, X, mean, H, Q, np.array([T]), one, mean, H)


def faces(sh: Shells, power: float) -> np.ndarray:
    return np.append(0.0, np.cumsum(sh.volume[:, 0]) ** (1 / power))


def sphere_series(r: np.ndarray, Fo: float) -> np.ndarray:
    """Shell means of X(r, 0) = r² in a closed sphere of radius 1.

    X = 3/5 + Σ 4/(aₙ³ cos aₙ) sin(aₙ r)/r exp(−aₙ² Fo), tan a = a. By hand: ∫ r² r² sin(ar)/r dr = 2 cos a/a and
    ∫ sin²(ar) dr = ½ sin² a where tan a = a; eigenfunctions of Crank, The Mathematics of Diffusion, 2nd ed., §6.3
    (memory: no flux at the surface)."""
    roots = [
        brentq(lambda a: np.sin(a) - a * np.cos(a), n * np.pi + 0.1, n * np.pi + np.pi / 2)
        for n in range(1, 60)
    ]
    X = np.full(len(r) - 1, 0.6)
    for a in roots:
        primitive = np.sin(a * r) / a**2 - r * np.cos(a * r) / a
        X += 4 / (a**3 * np.cos(a)) * 3 * np.diff(primitive) / np.diff(r**3) * np.exp(-(a**2) * Fo)
    return X


def cylinder_series(r: np.ndarray, Fo: float) -> np.ndarray:
    """The same in a closed long cylinder: X = ½ + Σ 4/(aₙ² J₀(aₙ)) J₀(aₙ r) exp(−aₙ² Fo), J₁(a) = 0 (Crank, §5.3).

    By hand: ∫ r³ J₀(ar) dr = −2 J₂(a)/a² = 2 J₀(a)/a², ∫ r J₀² dr = ½ J₀(a)²."""
    X = np.full(len(r) - 1, 0.5)
    for a in jn_zeros(1, 60):
        means = 2 * np.diff(r * jv(1, a * r)) / a / np.diff(r**2)
        X += 4 / (a**2 * jv(0, a)) * means * np.exp(-(a**2) * Fo)
    return X


@pytest.mark.parametrize("Fo", [0.01, 0.05, 0.2])
@pytest.mark.parametrize(("power", "series"), [(3, sphere_series), (2, cylinder_series)])
def test_a_parabola_evens_out_as_the_series_says(power, series, Fo):
    """60 shells; their error is of second order, and the largest where the surface shells are thin."""
    n, grading, R = 60, np.full(1, 4.5), 2.4e-3
    sh = shells(n, grading) if power == 3 else shaped_shells(n, grading, np.full(1, power - 1.0))
    own_radius = power * R / 3  # (m + 1) V/S
    bed = constant_bed(R)
    r = faces(sh, power)
    start = 0.1 + 0.05 * series(r, 0.0)  # drier in the middle: the sign does not matter
    seconds = Fo * own_radius**2 / float(bed.diffusivity.value[0])
    after = after_standing(heap(bed, sh, start[:, None]), np.array([seconds]))
    np.testing.assert_allclose(after.moisture[:, 0], 0.1 + 0.05 * series(r, Fo), atol=0.05 * 2e-3)
    assert np.ptp(after.moisture) < 0.9 * np.ptp(start)
    mean = (sh.volume[:, 0] * start).sum()
    assert (sh.volume * after.moisture).sum() == pytest.approx(mean, rel=1e-13)


def test_a_long_stand_by_leaves_the_mean_and_nothing_else():
    sh, bed = shells(12, np.full(1, 4.5)), constant_bed(2.4e-3)
    X = np.linspace(0.2, 0.02, 12)[:, None]
    before = heap(bed, sh, X)
    after = after_standing(before, np.array([1e6]))
    np.testing.assert_allclose(after.moisture, before.mean[0], rtol=1e-9)
    assert (sh.volume * after.moisture).sum() == pytest.approx(before.mean[0], rel=1e-14)
    H = REAL.pellet_enthalpy(bed, after.mean, after.temperature, after.bound_heat)
    np.testing.assert_allclose(H, before.enthalpy, rtol=1e-13)
    # bound water is a state: dry shells that take water give heat (model.md §2), Q being concave
    assert after.temperature[0] > 60.0


def test_the_mean_stays_while_temperature_and_moisture_move_diffusivity():
    """The solver alone would let it drift by 1e-10."""
    sh, bed = shells(12, np.full(1, 4.5)), bed_of(gather([COOLER]))
    law = dataclasses.replace(bed.diffusivity, moisture_slope=np.full(1, 10.0))
    before = heap(dataclasses.replace(bed, diffusivity=law), sh, np.linspace(0.2, 0.02, 12)[:, None])
    after = after_standing(before, np.array([600.0]))
    assert (sh.volume * after.moisture).sum() == pytest.approx(before.mean[0], rel=1e-14)
    assert after.moisture[0] < before.moisture[0] and after.moisture[-1] > before.moisture[-1]


def test_no_stand_by_changes_nothing():
    sh, bed = shells(12, np.full(1, 4.5)), constant_bed(2.4e-3)
    before = heap(bed, sh, np.linspace(0.2, 0.02, 12)[:, None])
    after = after_standing(before, np.zeros(1))
    np.testing.assert_array_equal(after.moisture, before.moisture)
    np.testing.assert_allclose(after.temperature, before.temperature, rtol=1e-14)


def test_moisture_changes_meshes_without_loss():
    """Random profiles between random meshes of spheres and other bodies: same mean, nothing below zero."""
    rng = np.random.default_rng(5)
    for _ in range(50):
        n, m = rng.integers(4, 30, 2)
        old = shells(int(n), rng.uniform(1, 6, 1)).volume
        new = shaped_shells(int(m), rng.uniform(1, 6, 1), rng.uniform(0, 2, 1)).volume
        X = rng.uniform(0, 0.4, (n, 1)) * (rng.uniform(size=(n, 1)) > 0.3)
        carried = on_shells(Fed(old, X, np.zeros(1)), new)
        assert (new * carried).sum() == pytest.approx((old * X).sum(), rel=1e-12)
        assert (carried >= -1e-14).all()


def test_a_smooth_profile_changes_meshes_unharmed():
    """1 − r² by volume, v = r³: means over shells by hand, ∫ (1 − v^⅔) dv = v − 0.6 v^(5/3)."""

    def means(volume):
        v = np.append(0.0, np.cumsum(volume))
        return (np.diff(v - 0.6 * v ** (5 / 3)) / volume)[:, None]

    old, new = (shells(n, np.full(1, 4.5)).volume for n in (12, 20))
    carried = on_shells(Fed(old, means(old[:, 0]), np.zeros(1)), new)
    np.testing.assert_allclose(carried, means(new[:, 0]), atol=0.01)


# ---- Beds cut in two --------------------------------------------------------------------------------------


@pytest.mark.parametrize("node", [3, 8, 13])
def test_a_cooler_cut_in_two_is_one_cooler(node):
    """The upper part takes the air that leaves the lower one: exact, whatever the pellets are like inside.

    What is handed on has its skin: handed on flat, the exit would be off by 0.03 point and more."""
    whole = coolsim.predict(COOLER)
    p, z = whole.profile, whole.profile.z
    T, Y, pressure = float(p.air_temperature[node]), float(p.humidity_ratio[node]), COOLER.air.pressure
    dry_air = whole.bed.air_ratio * COOLER.feed.throughput
    between = Air(T, float(air.relative_humidity(T, Y, pressure)), pressure)
    assert between.relative_humidity < 1
    machine = COOLER.cooler
    upper = dataclasses.replace(
        machine,
        bed_depth=float(z[node]),
        airflow=dry_air * float(air.dry_air_volume(T, Y, pressure)),
        air_ratio=None,
    )
    lower = dataclasses.replace(machine, bed_depth=float(z[-1] - z[node]))
    result = coolsim.predict(line(COOLER, Stage("upper", upper, air=between), Stage("lower", lower)))
    first, last = (run.result for run in result.stages)
    assert last.pellets_out.moisture_wb == pytest.approx(whole.pellets_out.moisture_wb, abs=1e-4)
    assert last.pellets_out.temperature == pytest.approx(whole.pellets_out.temperature, abs=0.07)
    assert first.pellets_out.moisture_db == pytest.approx(float(p.mean_moisture[node]), abs=1e-4)
    flat = coolsim.predict(dataclasses.replace(result.stages[1].case, title="flat"))
    assert abs(flat.pellets_out.moisture_wb - whole.pellets_out.moisture_wb) > 2.5e-4


@pytest.mark.parametrize("shrinkage", [0.0, 0.7])
def test_a_batch_that_is_turned_over_can_be_cut_in_two(shrinkage, monkeypatch):
    """All its pellets are alike at any time, so half the time twice is the whole time.

    A bed that shrank lies lower: by hand, depth · (1 − s (X₀ − X) ρ_d/1000), ρ_d of the wet feed's bulk density."""
    fine, solve = drying.Resolution(step_tolerance=drying.Resolution().step_tolerance / 30), drying.solve
    monkeypatch.setattr(drying, "solve", lambda *beds, resolution: solve(*beds, resolution=fine))
    case = loads(
        WET + f'mixing = "continuous"\nshrinkage = "{100 * shrinkage:g} %"\nrecirculation = "40 %"\n'
    )
    half = dataclasses.replace(case.cooler, duration=case.cooler.duration / 2)
    X = coolsim.predict(dataclasses.replace(case, cooler=half)).pellets_out.moisture_db
    solid_density = case.feed.bulk_density * 0.8 / (1 - case.feed.void_fraction)
    lower = half.bed_depth * (1 - shrinkage * (0.25 - X) * solid_density / 1000)
    again = dataclasses.replace(half, bed_depth=lower)
    cut = coolsim.predict(line(case, Stage("one", half), Stage("two", again)))
    whole = coolsim.predict(case)
    # both take the same short steps in time but for those after the cut, so they agree better than either is known
    assert cut.pellets_out.moisture_wb == pytest.approx(whole.pellets_out.moisture_wb, abs=1e-5)
    assert cut.pellets_out.temperature == pytest.approx(whole.pellets_out.temperature, abs=0.01)


def test_a_stage_that_does_nothing_leaves_the_next_as_it_was():
    """Air that could take up a 1e-7th of the feed's heat, in a bed of a millimetre."""
    nothing = Cooler(floor_area=1e-3, bed_depth=1e-3, airflow=1e-8)
    alone, both = (
        coolsim.predict(COOLER),
        line(COOLER, Stage("nothing", nothing), Stage("cooler", COOLER.cooler)),
    )
    result = predict(both)
    assert result.pellets_out.moisture_wb == pytest.approx(alone.pellets_out.moisture_wb, abs=1e-6)
    assert result.pellets_out.temperature == pytest.approx(alone.pellets_out.temperature, abs=1e-3)


@pytest.fixture(scope="module")
def dried_and_cooled() -> Case:
    case = loads(WET)
    cooler = Cooler(floor_area=0.3, bed_depth=0.5, airflow=0.12)
    return line(case, Stage("dryer", case.cooler), Stage("cooler", cooler, stand_by=600.0))


def test_water_and_heat_close_over_the_line(dried_and_cooled):
    result = coolsim.predict(dried_and_cooled)
    assert result.accuracy.water_imbalance < 1e-8 and result.accuracy.energy_imbalance < 1e-8
    dryer, cooler = (run.result for run in result.stages)
    assert cooler.feed_in.moisture_wb == pytest.approx(dryer.pellets_out.moisture_wb, rel=1e-12)
    # water by hand, per dry solid of 480 kg/h: what enters, what each machine's air took, what leaves
    taken = (
        480
        / 3600
        * (dryer.feed_in.moisture_wb / (1 - dryer.feed_in.moisture_wb) - dryer.pellets_out.moisture_db)
    )
    left = 480 / 3600 * result.pellets_out.moisture_db
    assert taken + cooler.bed.evaporation + left == pytest.approx(120 / 3600, rel=1e-9)
    assert result.pellets_out.mass_flow == pytest.approx(480 / 3600 + left, rel=1e-12)


def test_the_longer_pellets_stand_the_more_a_cooler_can_take(dried_and_cooled):
    """The dryer leaves a dry skin; water that has come out again is the water that a cooler's few minutes reach."""
    moistures, skins = [], []
    for seconds in (0.0, 1.0, 120.0, 7200.0):
        dryer, cooler = dried_and_cooled.cooler.stages
        stages = (dryer, dataclasses.replace(cooler, stand_by=seconds))
        result = coolsim.predict(line(dried_and_cooled, *stages))
        moistures.append(float(result.pellets_out.moisture_wb))
        skins.append(float(result.stages[1].outer_moisture_db))
    assert (np.diff(moistures) < 0).all() and (np.diff(skins) > 0).all()
    assert moistures[0] - moistures[1] < 0.2 * (moistures[0] - moistures[-1])
    mean = float(result.stages[0].result.pellets_out.moisture_db)
    assert skins[-1] == pytest.approx(mean, rel=0.01)


def test_mixing_a_bed_sets_no_heat_free(dried_and_cooled):
    """Pellets that go on at once are as warm as they were, although the bed they come from is far from even: dry
    ones that took water from wet ones would give heat, q_st being larger the drier they are."""
    dryer, cooler = dried_and_cooled.cooler.stages
    at_once = line(dried_and_cooled, dryer, dataclasses.replace(cooler, stand_by=0.0))
    first, second = (run.result for run in coolsim.predict(at_once).stages)
    assert first.spread.wettest_wb - first.spread.driest_wb > 0.06
    assert second.feed_in.temperature == pytest.approx(first.pellets_out.temperature, abs=1e-9)


def test_many_lines_are_as_each_alone(dried_and_cooled):
    wetter = dataclasses.replace(
        dried_and_cooled, feed=dataclasses.replace(dried_and_cooled.feed, moisture=0.22)
    )
    M = coolsim.predict([dried_and_cooled, COOLER, wetter]).pellets_out.moisture_wb
    alone = [coolsim.predict(c).pellets_out.moisture_wb for c in (dried_and_cooled, COOLER, wetter)]
    np.testing.assert_allclose(M, alone, rtol=1e-6)
    weather = Air(np.array([20.0, 32.0]), np.array([0.6, 0.8]))
    year = coolsim.predict(dried_and_cooled, air=weather)
    assert year.pellets_out.moisture_wb[0] == pytest.approx(alone[0], rel=1e-6)
    assert year.stages[0].result.pellets_out.moisture_wb.shape == (2,)
    hot = dataclasses.replace(dried_and_cooled, air=Air(32.0, 0.8, 101325.0))
    assert year.pellets_out.moisture_wb[1] == pytest.approx(
        coolsim.predict(hot).pellets_out.moisture_wb, rel=1e-6
    )


def test_a_stage_keeps_its_own_air(dried_and_cooled):
    dryer, cooler = dried_and_cooled.cooler.stages
    own = line(dried_and_cooled, dryer, dataclasses.replace(cooler, air=Air(5.0, 0.5)))
    cold, as_before = coolsim.predict(own), coolsim.predict(dried_and_cooled)
    assert cold.pellets_out.temperature < as_before.pellets_out.temperature - 5
    assert cold.stages[0].result.pellets_out.temperature == as_before.stages[0].result.pellets_out.temperature


def test_a_fault_of_a_stage_names_it(dried_and_cooled):
    dryer, cooler = dried_and_cooled.cooler.stages
    lost = dataclasses.replace(cooler, cooler=dataclasses.replace(cooler.cooler, airflow=None))
    with pytest.raises(coolsim.InputError, match=r"stage\.2\.airflow"):
        coolsim.predict(line(dried_and_cooled, dryer, lost))


def test_batches_in_a_line_are_batches():
    assert isinstance(loads(WET).cooler, Batch)


def test_lines_of_several_kinds_side_by_side_keep_their_stages() -> None:
    """A batch that is cooled and one that is not are of two kinds; each stage is that of the line alone."""
    _, cooler = level("dryer-then-cooler").cooler.stages
    batch = level("evening-batch")
    boxes = [dataclasses.replace(batch.cooler, cooling_time=t) for t in (0.0, 300.0)]
    lines = [dataclasses.replace(batch, cooler=Line((Stage("box", box), cooler))) for box in boxes]
    both = coolsim.predict(lines)
    for k, one in enumerate(lines):
        alone = coolsim.predict(one)
        assert [run.name for run in both.stages] == [run.name for run in alone.stages]
        for run, own in zip(both.stages, alone.stages):
            told = run.result.pellets_out.moisture_wb[k]
            assert told == pytest.approx(own.result.pellets_out.moisture_wb, abs=1e-4)
