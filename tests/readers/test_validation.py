"""Cases put together in Python: what cannot be is refused at once, in words; arrays stand in any number."""

import dataclasses
import inspect
import time

import numpy as np
import pytest
from readers.strategies import BATCH, BELT, COOLER, LINE

import coolsim
from coolsim.case import case as cases
from coolsim.case.case import Air, Case
from coolsim.scenario import loads, schema
from coolsim.scenario.validation import faults_of
from coolsim.simulate.prediction import predict as unchecked
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import with_number

NAN, INF = float("nan"), float("inf")
EVEN = "".join(line for line in COOLER.splitlines(True) if "_deviation" not in line)


@pytest.fixture(scope="module")
def case() -> Case:
    return loads(EVEN)


def refused(case: Case, **more: object) -> list[Fault]:
    begin = time.process_time()
    with pytest.raises(InputError) as wrong:
        coolsim.predict(case, **more)  # type: ignore[arg-type]
    assert time.process_time() - begin < 0.1
    return wrong.value.faults


@pytest.mark.parametrize(
    ("air", "key", "found", "allowed"),
    [
        (Air(30.0, 85.0, 1e5), "air.relative_humidity", "85", "0 to 1; did you mean 0.85?"),
        (Air(30.0, -0.2, 1e5), "air.relative_humidity", "-0.2", "0 to 1"),
        (Air(30.0, 0.8, NAN), "air.pressure", "nan", "45000 to 110000 Pa"),
        (Air(303.15, 0.8), "air.temperature", "303.15", "did you mean 30?"),
        (Air(86.0, 0.8), "air.temperature", "86", "did you mean 30?"),
        (Air(30.0, 0.8, 101.3), "air.pressure", "101.3", "did you mean 101300?"),
        (Air(np.array([20.0, 30.0, INF]), 0.8), "air.temperature", "inf (entry 2 of 3, from 0)", "-50 to 60"),
        (Air("30 degC", 0.8), "air.temperature", '"30 degC"', "needs a number -50 to 60 °C"),
        (Air(None, 0.8), "air.temperature", "nothing", "needs a number"),
        (Air(30.0, True), "air.relative_humidity", "true", "needs a number"),
        (Air(30.0, 0.8j), "air.relative_humidity", "an object of type complex", "needs a number"),
        (Air([], 0.8), "air.temperature", "an array without entries", "needs a number"),
        (Air([20.0, [30.0]], 0.8), "air.temperature", "[20.0, [30.0]]", "needs a number"),
        ("humid", "air", '"humid"', "needs a Air"),
    ],
)
def test_air_that_cannot_be(case: Case, air: Air, key: str, found: str, allowed: str) -> None:
    (fault,) = refused(case, air=air)
    assert (fault.key, fault.found) == (key, found) and allowed in fault.allowed


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("cooler.airflow", -1.0, "2.77778e-06 to 277.778 m³/s"),
        ("cooler.airflow", 0.0, "2.77778e-06 to 277.778 m³/s"),
        ("cooler.airflow", 1500.0, "did you mean 0.416667?"),
        ("feed.moisture", 15.5, "did you mean 0.155?"),
        ("feed.diameter", 4.0, "did you mean 0.004?"),
        ("feed.temperature", NAN, "0 to 180 °C"),
        ("cooler.bed_depth", None, "needs a number"),
        ("cooler.air_ratio", 1.2, "give one of airflow and air_ratio"),
        ("cooler.inlet_air_temperature", 5.0, "outside air (20 °C) is heated to this"),
        ("material.diffusivity.value", 1.0, "1e-14 to 1e-05"),
        ("material.diffusivity.at_moisture", 5.0, "0 to 1.85714"),
        ("material.isotherm.scale", 0.0, "0.2 to 5"),
        ("material.isotherm.equation", "modified-nothing", "equations: "),
        ("material.isotherm.constants", (1.0,), "has the constants"),
        ("material.isotherm.constants", (1.0, 1.0, 1.0), "no solid does that"),
        ("target.moisture", 12.5, "did you mean 0.125?"),
        ("limits.airflow", (2.0, 1.0), "the lowest comes first"),
        ("limits.bed_depth", 0.5, "needs a pair"),
        ("fan.curve", ((0.0, 2000.0), (1.0, 2100.0)), "the pressure falls"),
        ("fan.curve", ((0.0, 2000.0), (1.0, NAN)), "needs numbers"),
        ("fan.curve", 3.0, "two or more points"),
        ("duct.pressure_loss", (300.0, 0.0), "an airflow above"),
        ("fan.position", "sideways", "draw-through, blow-through"),
    ],
)
def test_numbers_that_cannot_be(case: Case, path: str, value: object, words: str) -> None:
    (fault,) = refused(with_number(case, path, value))
    assert words in fault.allowed and fault.key.startswith(path.rpartition(".")[0])


@pytest.mark.parametrize(
    ("path", "value", "meant"),
    [
        ("air.relative_humidity", 1.3, None),  # too humid, and no air of 1.3 %
        ("feed.moisture", 0.85, None),
        ("feed.fines", 0.6, None),
        ("air.relative_humidity", 2.0, "0.02"),
        ("air.relative_humidity", 100.0, "1"),
        ("feed.fines", 3.0, "0.03"),
    ],
)
def test_a_fraction_is_taken_for_a_percentage_where_somebody_means_one(
    case: Case, path: str, value: float, meant: str | None
) -> None:
    (fault,) = refused(with_number(case, path, value))
    words = "" if meant is None else f"; did you mean {meant}?"
    assert fault.allowed.endswith(words) and ("did you mean" in fault.allowed) == (meant is not None)


def test_parts_of_another_kind(case: Case) -> None:
    keys = [f.key for f in refused(dataclasses.replace(case, feed=None, material="pig-pellets", cooler=3))]
    assert keys == ["feed", "material", "cooler"]


@pytest.mark.parametrize(
    ("changes", "key", "found"),
    [
        ({"sizing": cases.Sizing(product=3)}, "sizing.product", "3"),  # type: ignore[arg-type]
        ({"sizing": cases.Sizing(product=(3,))}, "sizing.product.1", "3"),  # type: ignore[arg-type]
        ({"sizing": cases.Sizing(weather="hot")}, "sizing.weather", '"hot"'),  # type: ignore[arg-type]
        ({"equipment": 3}, "equipment", "3"),
        ({"equipment": (3,)}, "equipment.1", "3"),
        ({"equipment": None}, "equipment", "nothing"),
        ({"recipe": cases.Recipe(ingredient=3)}, "recipe.ingredient", "3"),  # type: ignore[arg-type]
        ({"recipe": cases.Recipe(ingredient=("wheat",))}, "recipe.ingredient.1", '"wheat"'),  # type: ignore[arg-type]
    ],
)
def test_lists_of_another_kind(case: Case, changes: dict[str, object], key: str, found: str) -> None:
    (fault,) = refused(dataclasses.replace(case, **changes))  # type: ignore[arg-type]
    assert (fault.key, fault.found) == (key, found) and "of coolsim.case.case" in fault.allowed


def test_machines_and_lines_are_looked_into() -> None:
    batch, belt, line = loads(BATCH), loads(BELT), loads(LINE)
    cold = dataclasses.replace(batch.cooler, inlet_air_temperature=None, heater_power=None)
    (fault,) = refused(dataclasses.replace(batch, cooler=cold))
    assert fault.key == "cooler.inlet_air_temperature" and "heater_power" in fault.allowed
    (fault,) = refused(with_number(belt, "cooler.zones.0.airflow", -2.0))
    assert fault.key == "cooler.zone.1.airflow"
    (fault,) = refused(dataclasses.replace(belt, cooler=dataclasses.replace(belt.cooler, zones=())))
    assert fault.key == "cooler.zones"
    (fault,) = refused(with_number(line, "cooler.stages.1.cooler.bed_depth", 800.0))
    assert fault.key == "stage.2.bed_depth" and "did you mean 0.8?" in fault.allowed


def test_all_faults_come_together_and_many_cases_are_numbered(case: Case) -> None:
    twice = with_number(with_number(case, "feed.moisture", 15.5), "cooler.airflow", NAN)
    assert [f.key for f in refused(twice)] == ["feed.moisture", "cooler.airflow"]
    (fault,) = refused([case, with_number(case, "feed.length", NAN)])  # type: ignore[arg-type]
    assert fault.where == "case 1 (from 0)" and fault.key == "feed.length"


@pytest.mark.parametrize(
    "name", ["find_settings", "reachable", "size", "uncertainty", "seasons", "sensitivities"]
)
def test_every_public_function_has_the_door(case: Case, name: str) -> None:
    with pytest.raises(InputError, match=r"feed\.moisture: found 15\.5"):
        getattr(coolsim, name)(with_number(case, "feed.moisture", 15.5))
    takes_air = "air" in inspect.signature(getattr(coolsim, name)).parameters
    words = "arrays are for `air` only here" if takes_air else "no array is taken here"
    with pytest.raises(InputError, match=words):
        getattr(coolsim, name)(with_number(case, "feed.moisture", np.array([0.14, 0.15])))
    with pytest.raises(InputError, match=r"feed\.moisture: found 15\.5"):
        coolsim.fit(with_number(case, "feed.moisture", 15.5), "none.csv")


def test_what_the_reader_takes_the_door_takes() -> None:
    """Each key at both ends of its range, where the rest of the scenario allows it."""
    for text in (COOLER, BATCH, BELT, LINE):
        assert list(faults_of(loads(text))) == []
    for name in (
        "diameter",
        "length",
        "throughput",
        "temperature",
        "moisture",
        "bulk_density",
        "void_fraction",
    ):
        key = schema.TABLES["feed"].keys[name]
        for end in (key.low, key.high):
            read = coolsim.replace(loads(EVEN), {f"feed.{name}": end})
            assert list(faults_of(read)) == []


@pytest.mark.parametrize("changes", [None, 3, {5: "14 %"}, [("feed.moisture", "14 %")]])
def test_changes_that_map_nothing_are_refused(case: Case, changes: object) -> None:
    with pytest.raises(InputError, match="keys of the scenario"):
        coolsim.replace(case, changes)  # type: ignore[arg-type]


def test_the_reader_ends_with_the_same_check(monkeypatch: pytest.MonkeyPatch) -> None:
    """What follows from right keys is looked at once more, and said at its line."""
    from coolsim.scenario import build

    monkeypatch.setattr(build, "faults_of", lambda _: [Fault("", "cooler.bed_depth", "9 m", "less")])
    with pytest.raises(InputError, match=r"mill\.toml:\d+: cooler\.bed_depth: found 9 m"):
        loads(EVEN, "mill.toml")


def test_the_door_costs_well_below_a_millisecond(case: Case) -> None:
    line = loads(LINE)
    list(faults_of(line))
    begin = time.process_time()
    for _ in range(100):
        list(faults_of(line))
    assert time.process_time() - begin < 0.05  # half a millisecond each, on a busy machine


# -- behind the door, where nobody has looked


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize(
    ("path", "value"),
    [("air.pressure", NAN), ("air.relative_humidity", 85.0), ("cooler.airflow", -1.0), ("cooler.airflow", 0.0),
     ("feed.temperature", NAN), ("feed.moisture", INF)],
)  # fmt: skip
def test_nothing_is_tried_with_numbers_that_are_none(case: Case, path: str, value: float) -> None:
    begin = time.process_time()
    with pytest.raises(NotConverged, match="cannot be computed"):
        unchecked(with_number(case, path, value))
    assert time.process_time() - begin < 0.5


def test_one_impossible_case_among_many_is_named(case: Case) -> None:
    with pytest.raises(NotConverged, match="1 of 3 cases cannot be computed") as lost:
        unchecked([case, case, with_number(case, "cooler.airflow", -1.0)])
    assert lost.value.failed.tolist() == [2]


# -- arrays


PLACES = {
    "cooler.bed_depth": [0.5, 0.7, 0.9],
    "cooler.airflow": [1.2, 1.5, 1.8],
    "cooler.floor_area": [2.0, 2.5, 3.0],
    "cooler.depth_deviation": [0.02, 0.05, 0.1],
    "feed.moisture": [0.14, 0.15, 0.16],
    "feed.diameter": [0.003, 0.004, 0.005],
    "material.diffusivity.value": [3e-10, 5e-10, 8e-10],
    "material.isotherm.scale": [0.9, 1.0, 1.1],
}


@pytest.mark.parametrize("path", PLACES)
def test_arrays_in_a_number_are_as_many_cases(case: Case, path: str) -> None:
    together = coolsim.predict(with_number(case, path, np.array(PLACES[path])))
    each = [coolsim.predict(with_number(case, path, value)) for value in PLACES[path]]
    for name in ("moisture_wb", "temperature", "water_activity"):
        apart = [getattr(r.pellets_out, name) for r in each]
        assert getattr(together.pellets_out, name) == pytest.approx(apart, rel=1e-9)
    assert together.bed.pressure_drop == pytest.approx([r.bed.pressure_drop for r in each], rel=1e-9)


def test_arrays_broadcast_with_those_of_the_air(case: Case) -> None:
    deep = with_number(case, "cooler.bed_depth", np.array([[0.6], [0.9]]))
    outside = Air(np.array([10.0, 20.0, 30.0]), 0.7)
    grid = coolsim.predict(deep, air=outside).pellets_out.moisture_wb
    assert np.size(grid) == 6
    one = coolsim.predict(
        with_number(case, "cooler.bed_depth", 0.9), air=Air(20.0, 0.7)
    ).pellets_out.moisture_wb
    assert np.ravel(grid)[4] == pytest.approx(one, rel=1e-9)
    (fault,) = refused(with_number(case, "cooler.bed_depth", np.array([0.6, 0.9])), air=outside)
    assert fault.key == "arrays" and "(2,)" in fault.found and "(3,)" in fault.found


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("text", "path", "values"),
    [
        (BATCH, "cooler.duration", [1200.0, 1800.0]),
        (BELT, "cooler.zones.0.airflow", [2.0, 2.4]),
        (LINE, "cooler.stages.1.cooler.bed_depth", [0.5, 0.6]),
    ],
)
def test_arrays_in_dryers_and_lines(text: str, path: str, values: list[float]) -> None:
    start = loads("".join(line for line in text.splitlines(True) if "_deviation" not in line))
    together = coolsim.predict(with_number(start, path, np.array(values)))
    each = [float(coolsim.predict(with_number(start, path, v)).pellets_out.moisture_wb) for v in values]
    assert together.pellets_out.moisture_wb == pytest.approx(
        each, abs=2e-5
    )  # on steps and meshes of their own


def test_arrays_in_a_fan(case: Case) -> None:
    text = EVEN.replace('\nairflow = "6000 m3/h"', "\n")
    text += '[fan]\nrated_flow = "6000 m3/h"\nrated_pressure = "2200 Pa"\nspeed = "80 %"\n'
    start = loads(text)
    together = coolsim.predict(with_number(start, "fan.speed", np.array([0.7, 0.8])))
    each = [
        float(coolsim.predict(with_number(start, "fan.speed", v)).pellets_out.moisture_wb) for v in (0.7, 0.8)
    ]
    assert together.pellets_out.moisture_wb == pytest.approx(each, rel=1e-6)
