"""From text to Case, and from a Case to a changed one."""

import dataclasses
import tomllib
from pathlib import Path

import numpy as np
import psychrolib
import pytest

import coolsim
from coolsim.case.case import TABLES, Air, Case, DuctData
from coolsim.scenario import inputs, load, loads, replace, schema, template
from coolsim.support.errors import InputError

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


def test_a_case_is_in_si(good: str) -> None:
    case = loads(good, "mill.toml")
    assert case.title == "A mill of our own"
    assert case.feed.throughput == pytest.approx(1 / 3)
    assert (case.feed.diameter, case.feed.temperature, case.feed.moisture) == (0.004, 82.0, 0.14)
    assert (case.air.temperature, case.air.relative_humidity, case.air.pressure) == (31.0, 0.8, 101_325.0)
    assert case.cooler.airflow == pytest.approx(1500 / 3600) and case.cooler.air_ratio is None
    assert case.target.maximum_above_ambient == 6.0
    # left out, so the material's
    assert case.feed.bulk_density == case.material.bulk_density


def test_moisture_on_dry_basis(good: str) -> None:
    case = loads(good.replace('moisture = "14 %"', 'moisture_dry_basis = "25 %"'))
    assert case.feed.moisture == pytest.approx(0.2)  # 25 of water to 100 of dry solid


def test_residence_time_becomes_bed_depth(good: str) -> None:
    text = good.replace('bed_depth = "0.8 m"', 'residence_time = "15 min"')
    case = loads(text.replace("[air]", 'bulk_density = "600 kg/m3"\n[air]'))
    # 1200 kg/h for a quarter of an hour are 300 kg, half a cubic metre, on half a square metre
    assert case.cooler.bed_depth == pytest.approx(1.0)


def test_air_ratio_by_mass_and_by_volume(good: str) -> None:
    by_mass = loads(good.replace('airflow = "1500 m3/h"', 'air_ratio = "1.2 kg/kg"')).cooler
    assert (by_mass.air_ratio, by_mass.airflow) == (1.2, None)
    by_volume = loads(good.replace('airflow = "1500 m3/h"', 'air_ratio = "750 m3/t"')).cooler
    assert by_volume.air_ratio is None
    assert by_volume.airflow == pytest.approx(900 / 3600)  # 750 m³/t × 1.2 t/h


@pytest.mark.parametrize("T", [31.0, -8.0])
@pytest.mark.parametrize("altitude", [0.0, 2300.0])
def test_humidities_agree_with_psychrolib(good: str, T: float, altitude: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    p = psychrolib.GetStandardAtmPressure(altitude)
    wet_bulb, dew_point = T - 2.0, T - 3.0
    base = good.replace('temperature = "31 degC"', f'temperature = "{T} degC"\naltitude = "{altitude} m"')
    for line, expected in (
        (f'wet_bulb = "{wet_bulb} degC"', psychrolib.GetRelHumFromTWetBulb(T, wet_bulb, p)),
        (f'dew_point = "{dew_point} degC"', psychrolib.GetRelHumFromTDewPoint(T, dew_point)),
        ('humidity_ratio = "1.5 g/kg"', psychrolib.GetRelHumFromHumRatio(T, 0.0015, p)),
    ):
        air = loads(base.replace('relative_humidity = "80 %"', line)).air
        assert air.pressure == pytest.approx(p, rel=1e-12)
        # the same formulas, iterated to their own tolerances
        assert air.relative_humidity == pytest.approx(expected, rel=1e-6)


def test_replace_reads_like_the_file(good: str) -> None:
    case = loads(good)
    more = replace(case, {"cooler.airflow": "1800 m3/h", "title": "More air"})
    assert more.cooler.airflow == pytest.approx(0.5) and more.title == "More air"
    assert more.feed == case.feed
    assert replace(more, {"cooler.airflow": "1500 m3/h", "title": case.title}).cooler == case.cooler
    assert case.cooler.airflow == pytest.approx(1500 / 3600)


@pytest.mark.parametrize(
    ("key", "value", "gone"),
    [
        ("feed.moisture_dry_basis", "25 %", "feed.moisture"),
        ("air.dew_point", "20 degC", "air.relative_humidity"),
        ("air.pressure", "90 kPa", "air.altitude"),
        ("cooler.residence_time", "10 min", "cooler.bed_depth"),
        ("cooler.air_ratio", "1.2 kg/kg", "cooler.airflow"),
    ],
)
def test_one_of_a_group_replaces_the_others(good: str, key: str, value: str, gone: str) -> None:
    case = replace(loads(good), {key: value})
    assert case.source.value(key) == value
    assert case.source.value(gone) is None


def test_two_of_a_group_at_once_are_refused(good: str) -> None:
    with pytest.raises(InputError, match="give one of") as wrong:
        replace(loads(good), {"cooler.airflow": "1 m3/h", "cooler.air_ratio": "1 kg/kg"})
    assert wrong.value.faults[0].where == "replace()"


def test_replace_gathers_unknown_keys_and_wrong_values(good: str) -> None:
    with pytest.raises(InputError) as wrong:
        replace(
            loads(good),
            {"cooler.airflw": "1 m3/h", "airflow": "1 m3/h", "feed.moisture": 0.15, "feed.diameter": "9 m"},
        )
    allowed = {fault.key: fault.allowed for fault in wrong.value.faults}
    assert "cooler.airflow" in allowed["cooler.airflw"] and "cooler.airflow" in allowed["airflow"]
    assert '"15 %"' in allowed["feed.moisture"] and "60 mm" in allowed["feed.diameter"]


def test_another_material_replaces_the_typed_one(good: str) -> None:
    text = good.replace('"pig-pellets"', '"custom"') + (
        '[material]\nspecific_heat = "1800 J/(kg K)"\nconductivity = "0.2 W/(m K)"\n'
        'bulk_density = "560 kg/m3"\nvoid_fraction = "42 %"\n'
        '[material.sorption]\nequation = "modified-oswin"\nA = 15.303\nB = -0.10184\nC = 3.0358\n'
        '[material.diffusivity]\nvalue = "8e-10 m2/s"\nat = "60 degC"\nactivation_energy = "26 kJ/mol"\n'
    )
    case = replace(loads(text), {"material.sorption.A": 14.0})
    assert case.material.isotherm.constants[0] == 14.0
    assert replace(case, {"feed.material": "pig-pellets"}).material.name == "pig-pellets"


def test_what_was_changed_in_python_stays_changed(good: str) -> None:
    case = loads(good, "mill.toml")
    feed = dataclasses.replace(case.feed, moisture=0.18, temperature=73.25)
    cooler = dataclasses.replace(case.cooler, airflow=None, air_ratio=1.3, bed_depth=1 / 3)
    other = dataclasses.replace(case, feed=feed, cooler=cooler)
    moved = replace(other, {"feed.diameter": "5 mm"})
    assert (moved.feed.moisture, moved.feed.temperature) == (0.18, 73.25)
    assert (moved.feed.diameter, moved.cooler.airflow, moved.cooler.air_ratio) == (0.005, None, 1.3)
    assert moved.cooler.bed_depth == pytest.approx(1 / 3, rel=1e-12)
    assert replace(other, {"cooler.airflow": "1800 m3/h"}).cooler.air_ratio is None  # its rival goes
    assert replace(other, {"feed.moisture": "15 %"}).feed.moisture == 0.15  # the later change wins


def test_a_plus_minus_stays_with_what_is_set_otherwise(good: str) -> None:
    case = loads(good.replace('"1500 m3/h"', '"1500 ± 45 m3/h"'))
    faster = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, airflow=0.5))
    known = replace(faster, {"feed.moisture": "15 %"}).plus_minus["cooler.airflow"]
    assert (known.value, known.half, known.unit) == (1800.0, 45.0, "m3/h")


def test_a_fitted_material_goes_along(good: str) -> None:
    case = loads(good)
    fitted = dataclasses.replace(case, material=dataclasses.replace(case.material, specific_heat=1650.0))
    moved = replace(fitted, {"feed.moisture": "15 %", "feed.void_fraction": "45 %"})
    assert (moved.material.specific_heat, moved.feed.moisture) == (1650.0, 0.15)
    assert not moved.material.provenance["void_fraction"].assumed  # it was typed
    assert replace(moved, {"air.temperature": "20 degC"}).material == moved.material
    other = replace(fitted, {"feed.material": "poultry-pellets"}).material
    assert other == coolsim.load_material("poultry-pellets")


def test_what_no_scenario_can_say_is_not_silently_changed_back(good: str) -> None:
    case = loads(good)
    arrays = dataclasses.replace(case, air=Air(np.array([10.0, 20.0]), np.array([0.5, 0.5])))
    hot = dataclasses.replace(case, feed=dataclasses.replace(case.feed, temperature=300.0))
    for other in (arrays, hot, dataclasses.replace(case, source={})):
        with pytest.raises(InputError, match=r"dataclasses\.replace"):
            replace(other, {"cooler.airflow": "1800 m3/h"})
    with pytest.raises(InputError, match=r"feed\.temperature set so"):
        replace(hot, {})


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["monsoon-night", "evening-batch", "dryer-then-cooler"])
def test_the_case_of_an_answer_is_changed_on(name: str) -> None:
    """Settings as found, and one thing more: what is set stays set."""
    case = load(SCENARIOS[0].parent / f"{name}.toml")
    found = coolsim.find_settings(case).case
    assert found.cooler != case.cooler or found.fan != case.fan
    wetter = coolsim.predict(replace(found, {"feed.moisture": "16 %"})).pellets_out
    by_hand = dataclasses.replace(found, feed=dataclasses.replace(found.feed, moisture=0.16))
    expected = coolsim.predict(by_hand).pellets_out
    assert wetter.moisture_wb == pytest.approx(expected.moisture_wb, abs=1e-8)
    assert wetter.temperature == pytest.approx(expected.temperature, abs=1e-5)


def test_typed_bulk_numbers_are_no_longer_assumed(good: str) -> None:
    case = replace(loads(good, "mill.toml"), {"feed.void_fraction": "45 %"})
    assert case.material.void_fraction == case.feed.void_fraction == 0.45
    origin = case.material.provenance["void_fraction"]
    assert (origin.assumed, origin.low, origin.high) == (False, None, None)


def test_tables_for_later_questions_are_in_si(good: str) -> None:
    case = loads(
        good
        + '[limits]\nairflow = ["900 m3/h", "1800 m3/h"]\nresidence_time = ["5 min", "20 min"]\n'
        + '[costs]\nelectricity = "0.36 EUR/kWh"\nfeed = "550 /t"\n'
        + '[fan]\ncurve = [["0 m3/h", "2 kPa"], ["3600 m3/h", "1 kPa"]]\n'
        + '[duct]\npressure_loss = ["250 Pa", "1800 m3/h"]\nleakage = "5 %"\n'
        + '[weather]\nfile = "w.csv"\noperating_hours = ["06:00", "24:00"]\n'
        + '[weather.units]\ntemperature = "degF"\n'
    )
    assert case.limits.airflow == (0.25, 0.5)
    assert case.limits.residence_time == (300.0, 1200.0)
    assert case.costs.given() == {"electricity": pytest.approx(1e-7), "feed": 0.55, "currency": "EUR"}
    assert case.fan.curve == ((0.0, 2000.0), (1.0, 1000.0))
    assert case.fan.curve_density == 1.2 and case.fan.position == "draw-through"
    assert case.duct == DuctData(pressure_loss=(250.0, 0.5), leakage=0.05)
    assert case.weather.operating_hours == (21600.0, 86400.0)
    assert case.weather.units == {"temperature": "degF"}
    assert not case.sizing and not case.schedule
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.duct.leakage = 0.0


def tables_of(case: Case) -> set[str]:
    """Names of the tables in which something stands."""
    return {name for name in TABLES if getattr(case, name)}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_holds_the_keys_of_the_scenario(name: str) -> None:
    """And what is read beside them: the one currency of all prices, lists of tables, units of columns."""
    listed = {
        "sizing": ["product", "weather"],
        "recipe": ["ingredient"],
        "card": ["weather"],
        "bag": ["coat"],
    }
    beside = {"costs": ["currency"], "weather": ["units"], **listed}.get(name, [])
    fields = [field.name for field in dataclasses.fields(TABLES[name])]
    assert fields == [*schema.TABLES[name].keys, *beside]


def test_the_weather_file_is_beside_the_scenario(tmp_path: Path, good: str) -> None:
    (tmp_path / "mill.toml").write_text(good + '[weather]\nfile = "w.csv"\n')
    assert load(tmp_path / "mill.toml").weather.file == str(tmp_path / "w.csv")


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
@pytest.mark.parametrize("system", ["si", "us"])
def test_the_echo_reads_back_to_the_same_case(path: Path, system: str) -> None:
    case = load(path)
    echo = inputs(case, system)
    settable = {k: v for k, v in echo.items() if k.startswith(("feed.", "air.", "cooler.", "stage."))}
    settable = {k: v for k, v in settable.items() if ".limits." not in k}  # a range is shown as "a to b"
    again = replace(case, settable)
    for part in ("feed", "air", "cooler"):
        before, after = (dataclasses.asdict(getattr(c, part)) for c in (case, again))
        for name, value in before.items():
            if isinstance(value, float):
                assert after[name] == pytest.approx(value, rel=1e-9, abs=1e-9), name
    machines = "stage" if hasattr(case.cooler, "stages") else "cooler"
    tables = {
        "feed",
        "air",
        machines,
        "material",
        *tables_of(case),
        *(["equipment"] if case.equipment else []),
    }
    assert {key.partition(".")[0] for key in echo} == tables
    assert inputs(again, system, digits=9) == inputs(case, system, digits=9)


def test_there_are_scenarios() -> None:
    assert {path.stem for path in SCENARIOS} >= {"humid-delta", "humid-delta-wet", "cold-dry-plateau"}


def test_every_optional_line_of_the_template_is_right() -> None:
    """Uncomment each table, then each line: what people are invited to do must work."""
    lines = template().splitlines()
    loads("\n".join(lines))
    start = next(n for n, line in enumerate(lines) if line.startswith("# [target]"))
    rivals = ("fan_speed", "residence_time", "rated_flow", "rated_pressure", "speed", "floor_area")
    tail = [
        line.removeprefix("# ") for line in lines[start:] if not line.removeprefix("# ").startswith(rivals)
    ]
    case = loads("\n".join([*lines[:start], *tail]))
    assert tables_of(case) == {"target", "limits", "costs", "fan", "duct", "sizing", "weather"}
    # the optional lines of the required tables, one by one, as replacements of their rivals
    plain = loads("\n".join(lines))
    table = ""
    tried = 0
    for line in lines[: next(n for n, line in enumerate(lines) if line.startswith("# [material]"))]:
        if line.startswith("["):
            table = line[1 : line.index("]")]
        elif table and line.startswith("# "):
            key, value = tomllib.loads(line[2:]).popitem()
            replace(plain, {f"{table}.{key}": value})
            tried += 1
    assert tried == 11


def test_the_custom_material_of_the_template_is_right() -> None:
    text = template().replace('material = "pig-pellets"', 'material = "custom"')
    begin, end = text.index("# [material]"), text.index("# [target]")
    own = text[begin:end].replace("# ", "", 1).replace("\n# ", "\n")
    point, after = own.index("[[material.sorption.point]]"), own.index("[material.diffusivity]")
    case = loads(text[:begin] + own[:point] + own[after:] + text[end:])  # constants, as typed
    assert case.material.name == "custom"
