"""CSV in: units, humidities, times, and what people get wrong."""

import datetime
from pathlib import Path

import numpy as np
import pytest

import coolsim
from coolsim.scenario import loads
from coolsim.scenario.weather import Weather, load_weather, read_weather
from coolsim.support.errors import InputError

UNITS = {"temperature": "degC", "relative_humidity": "%"}
HEAD = "time,temperature,relative_humidity"


def read(tmp_path: Path, lines: list[str], units: dict[str, str] | None = None) -> Weather:
    path = tmp_path / "w.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_weather(path, UNITS if units is None else units)


def faults(tmp_path: Path, lines: list[str], units: dict[str, str] | None = None) -> str:
    with pytest.raises(InputError) as caught:
        read(tmp_path, lines, units)
    return str(caught.value).replace(str(tmp_path), "")


def hours(
    count: int, temperature: float = 25.0, humidity: float = 60.0, start: str = "2023-07-01"
) -> list[str]:
    begin = datetime.datetime.fromisoformat(start)
    times = (begin + datetime.timedelta(hours=k) for k in range(count))
    return [f"{time:%Y-%m-%dT%H:%M},{temperature},{humidity}" for time in times]


def kinds(weather: Weather, kind: str) -> list[tuple[int, tuple[int, ...], str]]:
    return [(r.count, r.lines, r.found) for r in weather.remarks if r.kind == kind]


def test_units_are_those_stated(tmp_path: Path) -> None:
    lines = ["# invented", "time,pressure,temperature,wind,dew_point"]
    lines += ["2023-07-01 13:00+07:00,29.92,95,3,77"]
    units = {"temperature": "degF", "dew_point": "degF", "pressure": "inHg"}
    weather = read(tmp_path, lines, units)
    assert weather.temperature[0] == pytest.approx(35.0)  # 95 °F
    assert weather.pressure[0] == pytest.approx(101_325, abs=10)  # 29.92 inHg is the standard atmosphere
    # 77 °F is 25 °C: e_s(25)/e_s(35) = 3169.7/5629 Pa, steam tables (memory, high)
    assert weather.relative_humidity[0] == pytest.approx(0.563, abs=1e-3)
    assert weather.utc_offset[0] == 7.0 and str(weather.time[0]) == "2023-07-01T13:00:00"
    assert weather.line[0] == 3
    assert any("wind" in r.found for r in weather.remarks)


@pytest.mark.parametrize(
    ("name", "unit", "value"),
    # 30 °C at 95 461 Pa with a wet bulb of 25 °C: W .01922813 (ASHRAE formulas in an open test suite; seen)
    [
        ("wet_bulb", "degC", "25"),
        ("humidity_ratio", "g/kg", "19.22813"),
        ("humidity_ratio", "kg/kg", ".01922813"),
    ],
)
def test_each_humidity_means_the_same_air(tmp_path: Path, name: str, unit: str, value: str) -> None:
    units = {"temperature": "degC", "pressure": "Pa", name: unit}
    weather = read(
        tmp_path, [f"time,temperature,pressure,{name}", f"2023-07-01T13:00,30,95461,{value}"], units
    )
    # e = W p/(.621945 + W) = 2862.7 Pa by hand, e_s(30 °C) = 4246.0 Pa (ASHRAE Fundamentals table, memory, high)
    assert weather.relative_humidity[0] == pytest.approx(2862.7 / 4246.0, abs=5e-4)


def test_gaps_doubles_and_disorder_are_counted_by_row(tmp_path: Path) -> None:
    rows = hours(48)
    rows[30] = rows[30].replace(",25.0,", ",-60,")  # line 32: outside of what is possible
    rows[31] = rows[31].replace(",60.0", ",140")  # line 33
    rows[40] = rows[40].replace(",25.0,", ",,")  # line 42
    del rows[10:13]  # lines 12–14 fall away: a gap of three hours behind line 11
    rows.insert(20, rows[19].replace("25.0", "26.0"))  # the same hour again, on line 22
    rows += [rows.pop(5)]  # line 7 comes last
    weather = read(tmp_path, [HEAD, *rows, *hours(200, start="2023-07-03")])
    absent, left_out = kinds(weather, "absent"), kinds(weather, "left out")
    assert len(weather) == 48 - 3 - 3 + 200
    assert [count for count, _, _ in absent] == [3] and absent[0][1] == (10,)
    assert {found for _, _, found in left_out} == {
        "temperature outside -50 degC to 60 degC",
        "relative humidity outside 0 % to 110 %",
        "no temperature",
        "a time that an earlier row has",
    }
    assert all(count == len(lines) == 1 for count, lines, _ in left_out)
    doubled = next(lines for _, lines, found in left_out if found.startswith("a time"))
    assert doubled == (21,)  # one line up since line 7 went
    assert 26.0 not in weather.temperature  # the first of the two is kept
    assert any(r.found == "rows out of order" and r.count == 1 for r in weather.remarks)
    assert (np.diff(weather.time).astype(int) > 0).all()


def test_the_hour_that_clocks_repeat_is_two_hours_where_offsets_say_so(tmp_path: Path) -> None:
    rows = ["2023-10-29T01:00+02:00,9,80", "2023-10-29T02:00+02:00,8,80", "2023-10-29T02:00+01:00,7,80"]
    weather = read(tmp_path, [HEAD, *rows, "2023-10-29T03:00+01:00,6,80"])
    assert weather.temperature.tolist() == [9, 8, 7, 6] and kinds(weather, "left out") == []
    assert weather.utc_offset.tolist() == [2, 2, 1, 1]
    local = read(tmp_path, [HEAD, *(row[:16] + row[22:] for row in rows)])
    assert local.temperature.tolist() == [9, 8]  # without offsets it is the same time twice


@pytest.mark.parametrize("mean", [45.0, 58.0, 70.0])  # °F of a cool, a mild and a warm place
def test_fahrenheit_in_a_celsius_column(tmp_path: Path, mean: float) -> None:
    day = [mean + 22 * np.cos(2 * np.pi * k / 8760) + 9 * np.cos(2 * np.pi * k / 24) for k in range(8760)]
    rows = [row.replace(",25.0,", f",{T:.1f},") for row, T in zip(hours(8760, start="2023-01-01"), day)]
    found = faults(tmp_path, [HEAD, *rows])
    assert "temperature: found" in found and "possible is -50 degC to 60 degC" in found and "degF" in found
    assert f"to {round(max(day))} degC" in found  # the range found is named
    right = read(tmp_path, [HEAD, *rows], UNITS | {"temperature": "degF"})
    assert right.temperature.mean() == pytest.approx((mean - 32) / 1.8, abs=0.01)


def test_a_cold_month_in_fahrenheit_is_hotter_than_any_place(tmp_path: Path) -> None:
    rows = [
        row.replace(",25.0,", f",{40 + k % 19},") for k, row in enumerate(hours(700))
    ]  # 40–58: each possible
    assert "mean up to 45 degC" in faults(tmp_path, [HEAD, *rows])


def test_other_slips_of_unit(tmp_path: Path) -> None:
    assert "is it in %" in faults(tmp_path, [HEAD, *hours(100, humidity=0.6)])
    rows = [f"{row},1013" for row in hours(100)]
    found = faults(tmp_path, [HEAD + ",pressure", *rows], UNITS | {"pressure": "Pa"})
    assert "pressure: found" in found and "hPa" in found
    assert len(read(tmp_path, [HEAD + ",pressure", *rows], UNITS | {"pressure": "hPa"})) == 100


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["time,temp,rh", "2023-07-01T13:00,30,60"], ["needs a column temperature", "exactly one column of"]),
        (
            ["when,Temperature [C],Relative Humidity [%]", "x,1,2"],
            ["column time", 'rename "Temperature [C]"'],
        ),
        ([HEAD + ",wet_bulb", "2023-07-01T13:00,30,60,25"], ["relative_humidity and wet_bulb"]),
        ([HEAD, "2023-07-01T13:00,30,60", "2023-07-01T14:00,warm,60"], [':3: temperature: found "warm"']),
        ([HEAD, "2023-07-01T13:00,30,60", "yesterday,30,60"], [':3: time: found "yesterday"', "ISO 8601"]),
        ([HEAD, "2023-07-01T13:00,30,5,60"], ["another number of cells", "a point, not a comma"]),
        ([HEAD], ["none below the names"]),
        (["# nothing"], ["rows: found none"]),
        ([HEAD, *(f"2023-07-{d:02d}T12:00,30,60" for d in range(1, 29))], ["rows 24 h apart"]),
        (
            [HEAD, *(f"2023-07-01T{h:02d}:00,{'' if h % 3 else 30},60" for h in range(24))],
            ["8 usable rows of 24"],
        ),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, lines: list[str], words: list[str]) -> None:
    found = faults(tmp_path, lines)
    assert all(word in found for word in words), found


def test_units_must_be_stated(tmp_path: Path) -> None:
    found = faults(tmp_path, [HEAD, *hours(3)], {"temperature": "m"})
    assert "weather.units.temperature" in found and "weather.units.relative_humidity: found nothing" in found


def test_no_file_and_an_empty_file(tmp_path: Path) -> None:
    for text, words in ((None, "does not exist"), ("", "an empty file"), ("\n \n", "an empty file")):
        path = tmp_path / "x.csv"
        if text is not None:
            path.write_text(text)
        with pytest.raises(InputError, match=words):
            load_weather(path, UNITS)
    with pytest.raises(InputError, match="a folder"):
        load_weather(tmp_path, UNITS)
    (tmp_path / "x.csv").write_bytes(b"\x89PNG\r\n\0\0\0")
    with pytest.raises(InputError, match="no text"):
        load_weather(tmp_path / "x.csv", UNITS)


@pytest.mark.thorough
def test_thirty_years_in_one_file(tmp_path: Path) -> None:
    begin = np.datetime64("1990-01-01T00", "h")
    times = begin + np.arange(int((np.datetime64("2020-01-01T00", "h") - begin).astype(int)))
    weather = read(tmp_path, [HEAD, *(f"{time}:00,25,60" for time in times)])
    days = 30 * 365 + 7  # 1992, 96, 2000, 04, 08, 12, 16 have a 29 February
    assert len(weather) == 24 * days and kinds(weather, "absent") == []


GOOD = """
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "10 mm"
throughput = "1200 kg/h"
temperature = "82 degC"
moisture = "14 %"
[air]
temperature = "31 degC"
relative_humidity = "80 %"
altitude = "1000 m"
[cooler]
floor_area = "0.5 m2"
bed_depth = "0.8 m"
airflow = "1500 m3/h"
"""


def test_the_weather_of_a_scenario(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("\n".join([HEAD, *hours(48)]))
    (tmp_path / "mill.toml").write_text(
        GOOD + '[weather]\nfile = "w.csv"\noperating_hours = ["22:00", "06:00"]\n'
        '[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
    )
    weather = read_weather(coolsim.load(tmp_path / "mill.toml"))
    clock = [int(str(time)[11:13]) for time in weather.time]
    assert sorted(set(clock)) == [0, 1, 2, 3, 4, 5, 22, 23] and len(clock) == 16  # past midnight
    assert weather.pressure[0] == pytest.approx(
        89_875, abs=1
    )  # ASHRAE table of the standard atmosphere (seen)
    assert any("no column pressure" in r.found for r in weather.remarks)


def test_faults_name_the_line_of_the_scenario(tmp_path: Path) -> None:
    table = '[weather]\nfile = "none.csv"\n[weather.units]\ntemperature = "degC"\n'
    case = loads(GOOD + table, "mill.toml")
    line = (GOOD + table).splitlines().index('file = "none.csv"') + 1
    with pytest.raises(
        InputError, match=f"mill.toml:{line}: weather.file: found none.csv, which does not exist"
    ):
        read_weather(case)
    with pytest.raises(InputError, match=r"no \[weather\] table"):
        read_weather(loads(GOOD, "mill.toml"))
    (tmp_path / "w.csv").write_text("\n".join([HEAD, *hours(3)]))
    case = loads(GOOD + table.replace("none.csv", str(tmp_path / "w.csv")), "mill.toml")
    with pytest.raises(InputError, match=f"mill.toml:{line + 1}: weather.units.relative_humidity"):
        read_weather(case)
    hours_key = f'[weather]\nfile = "{tmp_path / "w.csv"}"\noperating_hours = ["22:00", "23:00"]\n'
    units = '[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
    with pytest.raises(InputError, match=r"mill.toml:.*operating_hours: found no row"):
        read_weather(loads(GOOD + hours_key + units, "mill.toml"))
