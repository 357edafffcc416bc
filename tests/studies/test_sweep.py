"""A case over a grid of its keys: what `predict` says of each point, whatever the machine, and what cannot be."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from shipped import level

import coolsim
from coolsim.model.bed import Bed
from coolsim.model.family import few_differences
from coolsim.simulate.chunks import ALIKE
from coolsim.simulate.inputs import bed_of, gather
from coolsim.simulate.prediction import DEFAULT
from coolsim.studies.sweeping import points
from coolsim.studies.sweeping import run as of_sweep
from coolsim.support.errors import InputError, NotConverged

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FLOWS, HUMIDITIES = ["900 m3/h", "1200 m3/h", "1800 m3/h"], ["60 %", "90 %"]


@functools.cache
def case(name: str = "humid-delta") -> Any:
    return coolsim.load(SCENARIOS / f"{name}.toml")


@functools.cache
def small() -> Any:
    return coolsim.sweep(case(), {"cooler.airflow": FLOWS, "air.relative_humidity": HUMIDITIES})


def faults(values: Any, **more: Any) -> dict[str, str]:
    with pytest.raises(InputError) as wrong:
        coolsim.sweep(case(), values, **more)
    return {fault.key: f"{fault.found}; {fault.allowed}" for fault in wrong.value.faults}


# ---- Every point is what predict says of it --------------------------------------------------------------


def test_each_point_is_its_prediction() -> None:
    found = coolsim.sweep(
        case(), {"cooler.airflow": FLOWS, "air.relative_humidity": HUMIDITIES}, resolution=DEFAULT
    )
    assert found.shape == (3, 2) and found.failed == 0
    for i, flow in enumerate(FLOWS):
        for j, humidity in enumerate(HUMIDITIES):
            one = coolsim.replace(case(), {"cooler.airflow": flow, "air.relative_humidity": humidity})
            out = coolsim.predict(one)
            assert found["pellets_out.moisture_wb"][i, j] == pytest.approx(
                out.pellets_out.moisture_wb, abs=1e-9
            )
            assert found["bed.pressure_drop"][i, j] == pytest.approx(out.bed.pressure_drop, rel=1e-9)


def test_its_own_mesh_is_right_to_what_is_printed() -> None:
    """0.01 point and 0.1 K are the last digits that a prediction prints."""
    exact = coolsim.sweep(
        case(), {"cooler.airflow": FLOWS, "air.relative_humidity": HUMIDITIES}, resolution=DEFAULT
    )
    assert_allclose(small()["pellets_out.moisture_wb"], exact["pellets_out.moisture_wb"], atol=5e-5)
    assert_allclose(small()["pellets_out.temperature"], exact["pellets_out.temperature"], atol=0.05)


MACHINES = {
    "evening-batch": ("cooler.duration", ["25 min", "40 min"], "cooler.mixing", ["none", "continuous"]),
    "belt-four-zones": (
        "cooler.zone.2.inlet_air_temperature",
        ["70 degC", "80 degC"],
        "feed.moisture",
        ["24 %"],
    ),
    "dryer-then-cooler": ("stage.2.stand_by", ["0 min", "20 min"], "feed.throughput", ["1700 kg/h", "2 t/h"]),
}


def test_many_points_are_each_as_alone() -> None:
    """So many that most start from representatives: each as it is when solved from scratch on the same mesh."""
    flows, depths = np.geomspace(400, 4000, 40) / 3600, np.geomspace(0.15, 1.2, 26)
    found = coolsim.sweep(level("humid-delta"), {"cooler.airflow": flows, "cooler.bed_depth": depths})
    assert ALIKE < 40 * 26
    for j, k in ((0, 0), (39, 25), (0, 25), (39, 0), (17, 9), (30, 20)):
        one = coolsim.replace(
            level("humid-delta"),
            {"cooler.airflow": f"{float(flows[j])!r} m3/s", "cooler.bed_depth": f"{float(depths[k])!r} m"},
        )
        alone = coolsim.predict([one], resolution=of_sweep.OF_COOLERS)
        for name, near in (("moisture_wb", 3e-5), ("temperature", 0.03)):  # of a mesh that is off by as much
            there = getattr(found.result.pellets_out, name).reshape(40, 26)[j, k]
            assert there == pytest.approx(float(getattr(alone.pellets_out, name)[0]), abs=near), (j, k)


def test_cases_of_other_materials_or_in_many_numbers_are_not_alike() -> None:
    """A state is moved along numbers of the bed: an isotherm is none, and in six dimensions all are far apart."""

    def bed(changes: list[dict[str, str]]) -> Bed:
        return bed_of(gather([coolsim.replace(level("humid-delta"), one) for one in changes]))

    assert few_differences(bed([{}, {"cooler.airflow": "900 m3/h", "air.temperature": "20 degC"}]))
    assert not few_differences(bed([{}, {"feed.material": "sinking-fish-feed"}]))
    many = {"cooler.airflow": "900 m3/h", "cooler.bed_depth": "0.5 m", "feed.moisture": "15 %"}
    many |= {"feed.temperature": "70 degC", "feed.throughput": "800 kg/h", "air.temperature": "20 degC"}
    assert not few_differences(bed([{}, many]))


@pytest.mark.parametrize("name", MACHINES)
def test_any_machine(name: str) -> None:
    one, first, other, second = MACHINES[name]
    found = coolsim.sweep(case(name), {one: first, other: second})
    changed = coolsim.replace(case(name), {one: first[-1], other: second[-1]})
    alone = coolsim.predict(changed).pellets_out
    assert found["pellets_out.moisture_wb"][-1, -1] == pytest.approx(alone.moisture_wb, abs=1e-6)
    assert found["pellets_out.temperature"][-1, -1] == pytest.approx(alone.temperature, abs=1e-3)
    if name == "dryer-then-cooler":
        of_dryer = found["stages.0.pellets_out.moisture_wb"]
        assert_allclose(of_dryer[0], of_dryer[1], rtol=1e-12)  # waiting comes after it
        assert of_dryer[0, 0] < of_dryer[0, 1]


def test_materials_of_other_isotherms_stand_in_one_grid() -> None:
    materials = ["pig-pellets", "floating-fish-feed"]
    found = coolsim.sweep(case(), {"feed.material": materials, "feed.moisture": ["14 %"]})
    moisture = found["pellets_out.moisture_wb"][:, 0]
    for name, value in zip(found.swept[0].values, moisture):
        alone = coolsim.predict(
            coolsim.replace(case(), {"feed.material": str(name), "feed.moisture": "14 %"})
        )
        assert value == pytest.approx(alone.pellets_out.moisture_wb, abs=5e-5)


def test_many_points_are_put_together_as_they_would_be_read() -> None:
    """The throughput and the time in the bed both change its depth: such keys are read pair by pair."""
    apart = {"cooler.airflow": np.linspace(0.2, 0.6, 9), "air.wet_bulb": np.linspace(15.0, 25.0, 9)}
    tied = {"feed.throughput": np.linspace(0.2, 0.5, 9), "cooler.residence_time": np.linspace(300, 900, 9)}
    for values, quick in ((apart, True), (tied, False)):
        axes = of_sweep.grid_of(case(), values, None)
        grid = list(itertools.product(*(a.typed for a in axes)))
        together = points._put_together(
            axes, grid, lambda v, axes=axes: coolsim.replace(case(), dict(zip([a.key for a in axes], v)))
        )
        assert (together is not None) is quick
        whole, refused = points.points_of(case(), axes)
        assert not refused and len(whole) == 81
        for k in range(0, 81, 7):
            typed = {a.key: a.typed[i] for a, i in zip(axes, np.unravel_index(k, (9, 9)))}
            assert points._changes(coolsim.replace(case(), typed), whole[k]) == {}


# ---- How values may be given, and what comes out ----------------------------------------------------------


def test_numbers_are_si_or_in_the_unit_named() -> None:
    in_si = coolsim.sweep(
        case(), {"cooler.airflow": np.array([0.25, 0.5]), "air.relative_humidity": [0.6, 0.9]}
    )
    named = coolsim.sweep(
        case(),
        {"cooler.airflow": [900, 1800], "air.relative_humidity": [60, 90]},
        units={"cooler.airflow": "m3/h", "air.relative_humidity": "%"},
    )
    for name in ("pellets_out.moisture_wb", "bed.lift_off"):
        assert_allclose(in_si[name], small()[name][[0, 2]], rtol=1e-12)
        assert_allclose(named[name], in_si[name], rtol=1e-12)
    assert_array_equal(named.swept[0].values, [900, 1800])
    assert (named.swept[0].unit, in_si.swept[0].unit) == ("m3/h", "m3/h")
    assert_allclose(in_si.swept[0].stored, [0.25, 0.5], rtol=1e-14)
    mixed = coolsim.sweep(case(), {"cooler.airflow": ["900 m3/h", "1000 cfm"]}).swept[0]
    assert mixed.unit == "m3/h"
    assert_allclose(mixed.values, [900, 1699.01079552])  # by hand: 60 · 0.3048³ m³/h to the cfm


def test_frame_and_dataset_hold_the_grid_with_its_units() -> None:
    frame, dataset = small().to_frame(), small().to_xarray()
    assert len(frame) == 6 and list(frame["cooler.airflow"]) == [900, 900, 1200, 1200, 1800, 1800]
    assert frame.attrs["units"]["cooler.airflow"] == "m3/h"
    assert frame.attrs["units"]["air.relative_humidity"] == "%"
    M = small()["pellets_out.moisture_wb"]
    assert_array_equal(frame["pellets_out.moisture_wb"], M.ravel())
    assert dict(dataset.sizes) == {"cooler.airflow": 3, "air.relative_humidity": 2}
    at = dataset["pellets_out.moisture_wb"].sel({"cooler.airflow": 1200, "air.relative_humidity": 90})
    assert float(at) == M[1, 1]
    assert dataset["pellets_out.temperature"].attrs["units"] == "°C"
    assert dataset["cooler.airflow"].attrs["units"] == "m3/h"
    assert dataset["air.relative_humidity"].attrs["long_name"] == "outside"  # as `coolsim explain` says


def test_without_xarray_words_say_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(ImportError, match=r"to_xarray needs xarray, .*pip install 'coolsim\[notebooks\]'"):
        small().to_xarray()


def test_a_part_is_held() -> None:
    M = small()["pellets_out.moisture_wb"]
    for held in ({"cooler.airflow": "1200 m3/h"}, {"cooler.airflow": 1200}, {"cooler.airflow": 1200 / 3600}):
        part = small().at(held)
        assert [one.key for one in part.swept] == ["air.relative_humidity"]
        assert_array_equal(part["pellets_out.moisture_wb"], M[1])
    with pytest.raises(InputError) as wrong:
        small().at({"cooler.airflow": 1000, "feed.moisture": "14 %"})
    text = str(wrong.value)
    assert "its values are 900 m3/h, 1200 m3/h, 1800 m3/h" in text and "it was not varied" in text
    with pytest.raises(KeyError, match=r"pellets_out\.moisture_wb"):
        small()["moisture"]


def test_the_case_of_an_answer_is_varied() -> None:
    deep = dataclasses.replace(case(), cooler=dataclasses.replace(case().cooler, bed_depth=0.8))
    found = coolsim.sweep(deep, {"feed.moisture": ["13 %", "14 %"]})
    assert_allclose(found["bed.depth"], 0.8, rtol=1e-12)


# ---- What it looks like ----------------------------------------------------------------------------------


def test_it_is_shown_in_few_lines() -> None:
    shown = repr(small())
    assert len(shown.splitlines()) <= 12
    assert "cooler.airflow" in shown and "1800 m3/h" in shown and "6 cases" in shown
    assert "<table>" in small()._repr_html_()


def test_the_picture_is_what_was_predicted() -> None:
    axis = small().plot("temperature")
    curves = {line.get_label(): line for line in axis.lines if len(line.get_xdata()) == 3}
    assert list(curves) == ["60 %", "90 %"]
    for k, line in enumerate(curves.values()):
        assert_array_equal(line.get_xdata(), [900, 1200, 1800])
        assert_array_equal(line.get_ydata(), small()["pellets_out.temperature"][:, k])
    us = small().plot("moisture", units="us")
    line = next(line for line in us.lines if line.get_label() == "90 %")
    assert_allclose(line.get_xdata(), np.array([900, 1200, 1800]) / 1.69901079552, rtol=1e-9)
    target = next(line for line in us.lines if line.get_label() == "target 12 %")
    assert_allclose(target.get_ydata(), 12.0)
    exhaust = small().plot("air_out.temperature")
    assert exhaust.get_ylabel() == "air_out.temperature [°C]"
    for quantity in ("moistures", "history.time"):
        with pytest.raises(
            InputError, match=r"quantity: found .*; allowed: moisture, temperature, above_ambient"
        ):
            small().plot(quantity)


def test_of_three_keys_two_are_drawn() -> None:
    values = {"cooler.airflow": ["900 m3/h"], "air.relative_humidity": ["60 %"], "feed.moisture": ["14 %"]}
    with pytest.raises(InputError, match=r"at: found 3 keys; one or two can be drawn"):
        coolsim.sweep(case(), values).plot()


# ---- What cannot be --------------------------------------------------------------------------------------


def test_points_that_no_scenario_may_hold_are_nan_and_counted() -> None:
    """Air of 20 °C has no wet bulb of 24 °C."""
    values = {"air.temperature": ["20 degC", "30 degC"], "air.wet_bulb": ["16 degC", "24 degC"]}
    found = coolsim.sweep(case(), values)
    M = found["pellets_out.moisture_wb"]
    assert np.isnan(M[0, 1]) and np.isfinite(M[[0, 1, 1], [0, 0, 1]]).all()
    (failure,) = found.failures
    assert (failure.count, found.failed) == (1, 1)
    assert "it cannot be above the dry bulb (20 degC)" in failure.reason
    assert failure.first == "air.temperature 20 degC, air.wet_bulb 24 degC"
    assert "check: 1 of 4 points could not be predicted, and are nan" in repr(found)
    assert "1 not predicted, first at air.temperature 20 degC" in found.summary()
    assert list(found.to_frame("failures")["count"]) == [1]
    with pytest.raises(InputError, match="it cannot be above the dry bulb"):
        coolsim.sweep(case(), {"air.temperature": ["20 degC"], "air.wet_bulb": ["24 degC"]})


def test_points_that_do_not_converge_are_nan_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a solver that gives up above 1500 m³/h, as all do somewhere."""
    true = of_sweep.predict

    def stubborn(cases: Any, **how: Any) -> Any:
        lost = [k for k, one in enumerate(cases) if one.cooler.airflow > 1500 / 3600]
        if lost:
            raise NotConverged(f"{len(lost)} of {len(cases)} gave up", np.array(lost))
        return true(cases, **how)

    monkeypatch.setattr(of_sweep, "predict", stubborn)
    found = coolsim.sweep(case(), {"cooler.airflow": FLOWS, "air.relative_humidity": HUMIDITIES})
    M = found["pellets_out.moisture_wb"]
    assert np.isnan(M[2]).all()
    assert_allclose(M[:2], small()["pellets_out.moisture_wb"][:2], rtol=1e-9)
    assert [(f.reason, f.count) for f in found.failures] == [("1 of 1 gave up", 2)]
    with pytest.raises(NotConverged, match="none of 1 points could be predicted: 1 of 1 gave up"):
        coolsim.sweep(case(), {"cooler.airflow": ["1800 m3/h"]})


def test_faults_are_told_all_at_once() -> None:
    found = faults(
        {
            "cooler.airflw": ["1 m3/h"],
            "cooler.airflow": ["9 kg", 0.5, "2 m3/h"],
            "feed.moisture": [14, 0.2, 0.2],
        },
        units={"feed.diametre": "mm"},
    )
    assert "did you mean cooler.airflow?" in found["cooler.airflw"]
    assert '"9 kg"; needs an airflow' in found["cooler.airflow"]
    assert found["units"].endswith("these are: cooler.airflw, cooler.airflow, feed.moisture")
    assert "0.1 % to 65 %" in found["feed.moisture"] or "twice" in found["feed.moisture"]
    assert "each value once" in faults({"feed.moisture": ["14 %", "14 %"]})["feed.moisture"]
    assert "a list of values" in faults({"feed.moisture": "14 %"})["feed.moisture"]
    assert "at least one value" in faults({"feed.moisture": []})["feed.moisture"]
    assert "one axis" in faults({"feed.moisture": np.ones((2, 2))})["feed.moisture"]
    assert "finite" in faults({"feed.moisture": [np.nan]})["feed.moisture"]
    many = {"feed.moisture": np.linspace(0.1, 0.2, 400), "feed.temperature": np.linspace(60, 80, 400)}
    assert "at most 100000" in faults(many)["values"]
    assert "keys of the scenario" in faults({})["values"]
    assert "keys of the scenario" in faults(["cooler.airflow"])["values"]
    assert "a unit for each key" in faults({"feed.moisture": [0.1]}, units="m3/h")["units"]
    assert "airflow" in str(faults({"cooler.airflow": ["900 m3/h"], "cooler.air_ratio": ["1 kg/kg"]}))


# ---- How far it is ----------------------------------------------------------------------------------------


def test_progress_is_told() -> None:
    heard: list[tuple[int, int, str]] = []
    coolsim.sweep(case(), {"cooler.airflow": FLOWS}, progress=lambda *told: heard.append(told))
    assert heard == [(0, 3, "points"), (3, 3, "points")]
