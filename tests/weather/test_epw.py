"""EPW in: written from the format's definition, and converted from a real typical year."""

import warnings
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from weather.files import epw, epw_row, typical_year, typical_year_as_epw

from coolsim.scenario.weather import Weather, load_weather
from coolsim.studies.climate import design_weather
from coolsim.support.errors import InputError

DAY = [(2023, 1, 1, hour, 0) for hour in range(1, 25)]


def read(tmp_path: Path, text: str, name: str = "w.epw") -> Weather:
    path = tmp_path / name
    path.write_text(text, encoding="latin-1")
    return load_weather(path)


def faults(tmp_path: Path, text: str, name: str = "w.epw") -> str:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text, name)
    return str(caught.value).replace(str(tmp_path), "")


def remark(weather: Weather, words: str) -> tuple[str, tuple[int, ...]]:
    (one,) = [r for r in weather.remarks if words in r.found]
    assert one.count == len(one.lines) or one.kind in ("note", "absent")
    return one.kind, one.lines


def test_values_times_and_place_are_those_written(tmp_path: Path) -> None:
    rows = [epw_row(date, 20.5 + k, 18.0, 60 + k, 100_900 + k) for k, date in enumerate(DAY)]
    weather = read(tmp_path, epw(rows, last="1/1"))
    assert len(weather) == 24 and weather.step == 1.0 and weather.place == "Rivertown, XXX"
    assert str(weather.time[0]) == "2023-01-01T00:00:00"  # hour 1 is 00:01 to 01:00
    assert str(weather.time[-1]) == "2023-01-01T23:00:00"
    assert (weather.utc_offset == 7.0).all()
    np.testing.assert_allclose(weather.temperature, 20.5 + np.arange(24), rtol=0, atol=1e-9)
    np.testing.assert_allclose(weather.relative_humidity, (60 + np.arange(24)) / 100, rtol=0, atol=1e-12)
    np.testing.assert_allclose(weather.pressure, 100_900 + np.arange(24), rtol=0, atol=1e-6)
    assert weather.line.tolist() == list(range(9, 33))  # below eight headers
    assert {r.kind for r in weather.remarks} == {"note"}


def test_missing_codes_are_left_out_or_repaired_by_row(tmp_path: Path) -> None:
    rows = [epw_row(date, 25.0, 20.0, 74, 100_900) for date in DAY]
    rows[2] = epw_row(DAY[2], 99.9, 20.0, 74, 100_900)  # no dry bulb: line 11
    rows[4] = epw_row(DAY[4], 25.0, 20.0, 999, 100_900)  # no humidity, but a dew point: line 13
    rows[5] = epw_row(DAY[5], 25.0, 99.9, 999, 100_900)  # neither: line 14
    rows[7] = epw_row(DAY[7], 25.0, 20.0, 74, 999_999)  # no pressure: line 16
    rows[9] = epw_row(DAY[9], 25.0, 25.0, 103, 100_900)  # fog: line 18
    weather = read(tmp_path, epw(rows, elevation=1000.0, last="1/1"))
    assert remark(weather, "no temperature") == ("left out", (11,))
    kinds = {(r.kind, r.lines) for r in weather.remarks if r.found == "no relative humidity"}
    assert kinds == {("repaired", (13,)), ("left out", (14,))}
    assert remark(weather, "pressure") == ("repaired", (16,))
    assert remark(weather, "100 to 110 %") == ("repaired", (18,))
    assert weather.line.tolist() == [n for n in range(9, 33) if n not in (11, 14)]
    by_line = dict(zip(weather.line.tolist(), range(len(weather))))
    # e_s(20 °C)/e_s(25 °C) = 2339/3169.7 Pa, steam tables (memory, high)
    assert weather.relative_humidity[by_line[13]] == pytest.approx(0.738, abs=5e-4)
    # ICAO standard atmosphere: 89 875 Pa at 1000 m (ASHRAE Fundamentals 2017 ch. 1 table 1: 89.875 kPa; seen)
    assert weather.pressure[by_line[16]] == pytest.approx(89_875, abs=1)
    assert weather.relative_humidity[by_line[18]] == 1.0


def test_a_real_typical_year_comes_through_whole(tmp_path: Path) -> None:
    year, weather = typical_year(), read(tmp_path, typical_year_as_epw())
    assert len(weather) == 8760 and weather.step == 1.0
    np.testing.assert_allclose(weather.temperature, year.temperature, atol=1e-9)
    np.testing.assert_allclose(weather.relative_humidity, np.array(year.humidity) / 100, atol=1e-12)
    np.testing.assert_allclose(weather.pressure, year.pressure, atol=1e-6)
    assert weather.temperature.min() == pytest.approx(-16.7) and weather.temperature.max() == pytest.approx(
        35.6
    )
    assert Counter(weather.month.tolist()) == Counter(month for _, month, _, _ in year.date)
    assert (np.diff(weather.time).astype(int) == 3600).all()  # months of many years stand in one
    assert remark(weather, "months of different years")[0] == "note"


def test_a_reference_reader_agrees(tmp_path: Path) -> None:
    iotools = pytest.importorskip("pvlib.iotools")
    weather = read(tmp_path, typical_year_as_epw())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own use of pandas
        table, place = iotools.read_epw(str(tmp_path / "w.epw"))
    np.testing.assert_allclose(weather.temperature, table["temp_air"], atol=1e-9)
    np.testing.assert_allclose(100 * weather.relative_humidity, table["relative_humidity"], atol=1e-9)
    np.testing.assert_allclose(weather.pressure, table["atmospheric_pressure"], atol=1e-6)
    assert place["TZ"] == weather.utc_offset[0] == -5.0
    hours = np.array([when.hour for when in table.index])
    assert (hours == (weather.time - weather.time.astype("datetime64[D]")).astype(int) // 3600).all()


def test_half_hours(tmp_path: Path) -> None:
    dates = [(2024, 2, 29, hour, minute) for hour in range(1, 25) for minute in (30, 60)]
    rows = [epw_row(date, 25.0, 20.0, 74, 100_900) for date in dates]
    weather = read(tmp_path, epw(rows, per_hour=2, last="2/29"))
    assert weather.step == 0.5 and len(weather) == 48
    assert str(weather.time[0]) == "2024-02-29T00:00:00" and str(weather.time[-1]) == "2024-02-29T23:30:00"


def test_half_hours_named_by_their_begin(tmp_path: Path) -> None:
    dates = [(2024, 3, 1, hour, minute) for hour in range(1, 25) for minute in (0, 30)]
    weather = read(tmp_path, epw([epw_row(date, 25, 20, 74, 1e5) for date in dates], per_hour=2, last="3/1"))
    assert str(weather.time[0]) == "2024-03-01T00:00:00" and str(weather.time[-1]) == "2024-03-01T23:30:00"


def test_a_typical_year_with_a_leap_day(tmp_path: Path) -> None:
    dates = [(1996, 2, 29, hour, 0) for hour in range(1, 25)] + [
        (1981, 3, 1, hour, 0) for hour in range(1, 25)
    ]
    weather = read(tmp_path, epw([epw_row(date, 25, 20, 74, 1e5) for date in dates], last="3/1"))
    assert len(weather) == 48 and (np.diff(weather.time).astype(int) == 3600).all()
    assert str(weather.time[23])[4:] == "-02-29T23:00:00" and str(weather.time[24])[4:] == "-03-01T00:00:00"


def test_a_file_cut_off(tmp_path: Path) -> None:
    whole = epw([epw_row(date, 25.0, 20.0, 74, 100_900) for date in DAY], last="1/1")
    assert len(read(tmp_path, whole)) == 24
    in_a_line = whole[: whole.rindex("74,100900") - 4]
    assert "/w.epw:32: row: found fewer than 10 fields (line 32); the file is cut off" in faults(
        tmp_path, in_a_line
    )
    at_a_line = "\n".join(whole.splitlines()[:20])
    found = faults(tmp_path, at_a_line)
    assert "/w.epw:20: rows: found an end on 1 January, hour 12, where the header promises 1/1" in found
    in_the_header = faults(tmp_path, whole[:40])
    assert "LOCATION" in in_the_header and "none after the header" in in_the_header


def test_what_is_no_epw(tmp_path: Path) -> None:
    assert "w.epw:1: LOCATION" in faults(tmp_path, "time,temperature\n2023-01-01T00:00,25\n")
    row = epw_row(DAY[0], 25.0, 20.0, 74, 100_900)
    bad = [
        row.replace(",25.0,", ",warm,"),
        row.replace("2023,1,1,1,", "2023,13,1,1,"),
        row.replace(",74,", ",7x,"),
    ]
    found = faults(tmp_path, epw(bad, last="1/1"))
    assert '/w.epw:9: temperature: found "warm"' in found
    assert '/w.epw:10: date: found "2023 13 1 1 0"' in found
    assert '/w.epw:11: relative_humidity: found "7x"' in found  # all of them at once
    assert "time zone 99" in faults(tmp_path, epw([row], zone=99.0))


def test_design_hours_of_a_real_year(tmp_path: Path) -> None:
    weather = read(tmp_path, typical_year_as_epw())
    year = typical_year()
    warm = design_weather(weather, 0.99, by="temperature", hours=3)
    # by counting: 1 % of 8760 h is 87.6 h, so the 88th hottest hour
    assert warm.temperature[0] == pytest.approx(sorted(year.temperature)[-88], abs=0.06)
    assert len(warm) == 3 and set(warm.line) <= set(weather.line)
    humid = design_weather(weather, 0.99, by="humidity_ratio")
    dew = year.dew_point[int(humid.line[0]) - 9]
    assert dew == pytest.approx(sorted(year.dew_point)[-88], abs=0.6)  # whole degrees of RH, mbar of pressure
    wet = design_weather(weather, 0.5, by="wet_bulb")
    enthalpy = design_weather(weather, 0.5, by="enthalpy")
    assert abs(wet.temperature[0] - enthalpy.temperature[0]) < 8
    for bad in ({"by": "wetbulb"}, {"percentile": 99.0}, {"hours": 0}):
        with pytest.raises(InputError):
            design_weather(weather, **({"percentile": 0.99} | bad))  # type: ignore[arg-type]
