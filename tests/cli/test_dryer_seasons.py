"""`coolsim seasons` of dryers: what it says and writes, alone and beside a cooler, and its faults."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from reader_units import strays
from shipped import level
from studies.pig_pellets import BELT, FEED

import coolsim
from coolsim.output import year_runs
from coolsim.output import years as printed
from coolsim.output.page import Page
from coolsim.scenario.weather import read_weather

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
BATCH = """[cooler]
arrangement = "batch"
floor_area = "4 m2"
batch_mass = "200 kg"
duration = "12 min"
cooling_time = "4 min"
airflow = "4000 m3/h"
inlet_air_temperature = "80 degC"
recirculation = "60 %"
[schedule]
filling = "4 min"
emptying = "3 min"
"""
LIMITS = {
    "batch": '[limits]\nduration = ["8 min", "20 min"]\nrecirculation = ["0 %", "80 %"]\n',
    "belt": '[limits]\nresidence_time = ["20 min", "60 min"]\ninlet_air_temperature = ["45 degC", "70 degC"]\n',
}
WEATHER = '[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'


def write_weather(folder: Path, hours: int = 12) -> None:
    times = np.datetime64("2023-02-28T16", "h") + np.arange(hours)
    rows = [f"{t}:00,{22 + 6 * np.sin(k / 4):.1f},{85 - 3 * (k % 12)}" for k, t in enumerate(times)]
    (folder / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *rows]))


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture(scope="module", params=["batch", pytest.param("belt", marks=pytest.mark.thorough)])
def year(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Half a day with a chart."""
    folder, name = tmp_path_factory.mktemp("dryer"), request.param
    write_weather(folder)
    path = folder / f"{name}.toml"
    path.write_text(FEED + {"batch": BATCH, "belt": BELT}[name] + LIMITS[name] + WEATHER, encoding="utf-8")
    return path, coolsim.seasons(coolsim.load(path))


@pytest.mark.thorough
def test_it_prints_and_writes_whole_files(run: Run, year: Any, tmp_path: Path) -> None:
    path, answer = year
    out, hours, chart = (tmp_path / name for name in ("out.json", "hours.csv", "chart.csv"))
    done = run("seasons", str(path), "--json", str(out), "--csv", str(hours), "--chart", str(chart))
    assert done.status == 0 and done.err == ""
    assert "within target and limits" in done.out and "heat, kWh" in done.out
    assert "set for the hour in it that dries worst" in " ".join(done.out.split())
    (document,) = map(json.loads, out.read_text(encoding="utf-8").splitlines())
    feed = "settings chart, feed moisture adjusted"
    assert [s["strategy"] for s in document["strategies"]] == ["settings as they are", "settings chart", feed]
    rows = table(hours.read_text(encoding="utf-8"))
    for written, strategy in zip(document["strategies"], answer.strategies):
        total, mine = written["total"], [r for r in rows if r["strategy"] == written["strategy"]]
        assert len(mine) == 12 == total["hours"]
        # written to four digits: 12 roundings of half of the last one
        for column, name in (
            ("heat [kW]", "heat_kWh"),
            ("electricity [kW]", "electricity_kWh"),
            ("cost [/h]", "cost"),
        ):
            assert sum(float(r[column]) for r in mine) == pytest.approx(total[name], abs=1e-3)
        assert total["heat_kWh"] == pytest.approx(strategy.total.heat)
        assert [m["month"] for m in written["months"]] == [2, 3]
        reached = None if strategy.reachable is None else float(strategy.reachable.sum())
        assert written["reachable_h"] == reached and (reached is None) == (strategy.chart is None)


def test_the_chart_file_is_the_chart(year: Any, tmp_path: Path) -> None:
    _, answer = year
    batch = answer.case.cooler.arrangement == "batch"
    files = year_runs.Files(str(tmp_path / "a.json"), None, str(tmp_path / "c.csv"), dryers=True)
    files.add(answer, "dryer.toml", print)
    files.close()
    rows = table((tmp_path / "c.csv").read_text(encoding="utf-8"))
    rows = [row for row in rows if row["strategy"] == "settings chart"]
    chart = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))["strategies"][1]["chart"]
    assert sum(float(row["hours"]) for row in rows) == 12 == sum(map(sum, chart["hours_h"]))
    for (i, j), row in zip(np.argwhere(np.array(chart["hours_h"]) > 0), rows):
        assert float(row["residence_time [min]"]) == pytest.approx(
            chart["residence_time_s"][i][j] / 60, abs=0.05
        )
        assert float(row["met [%]"]) == pytest.approx(100 * chart["met"][i][j], abs=0.05)
        assert row["fan_speed [%]"] == ""
        need = chart["required_feed_moisture_wb"][i][j]
        assert row["required_feed_moisture [%]"] == ("" if need is None else f"{100 * need:.1f}")
        if batch:
            assert float(row["recirculation [%]"]) == pytest.approx(
                100 * chart["recirculation"][i][j], abs=0.05
            )
        else:
            assert row["recirculation [%]"] == "" and chart["recirculation"][i][j] is None
            # by hand: 6 m of belt in the dwell
            assert float(row["belt_speed [m/min]"]) == pytest.approx(
                360 / chart["residence_time_s"][i][j], abs=1e-3
            )


@pytest.mark.parametrize("width", [40, 60, 80, 132])
@pytest.mark.parametrize("units", ["si", "us"])
def test_it_fits_any_width_and_ascii(year: Any, width: int, units: str) -> None:
    text = printed.year(year[1], Page(width, encoding="ascii", units=units))
    assert text.isascii() and max(map(len, text.splitlines())) <= width
    batch = year[1].case.cooler.arrangement == "batch"
    assert ("Drying time, min" in text) == batch and ("Recirculation, %" in text) == batch
    assert ("Belt speed, " in text) == ("Inlet air, " in text) == (not batch)
    assert "Hours that this meets" in text and "Fan, %" not in text and "Feed moisture it needs" in text
    assert not strays(text.replace("deg", "°"), units)


def plain(path: Path) -> Path:
    """The scenario without its limits, so without a chart."""
    other = path.with_name("plain.toml")
    other.write_text(path.read_text().replace(LIMITS[path.stem], ""), encoding="utf-8")
    return other


def test_notes_say_what_is_taken_for_granted(run: Run, year: Any) -> None:
    """By hand: a batch of 200 kg comes every 20 min and takes 4 + 12 + 4 + 3 = 23, so one dryer falls behind."""
    path, _ = year
    for shorter, behind in (((), path.stem == "batch"), (("--set", "schedule.filling=1 min"), False)):
        done = run("seasons", str(plain(path)), *(shorter if path.stem == "batch" else ()))
        said = " ".join(done.out.split())
        assert "weights, heat and cost are of the scenario's throughput" in said and "local fire code" in said
        assert (
            "in 12 hours of settings as they are the dryers of [schedule] do not keep up" in said
        ) == behind


def test_a_dryer_beside_a_cooler(run: Run, year: Any, tmp_path: Path, good: str) -> None:
    """One file has the rows of both; what only a dryer has stays empty for the cooler."""
    path, _ = year
    cooler = path.with_name("cooler.toml")
    cooler.write_text(good + WEATHER, encoding="utf-8")
    dryer = plain(path)
    done = run("seasons", str(cooler), str(dryer), "--csv", str(tmp_path / "h.csv"), "--json", "-")
    assert done.status == 0 and len(done.out.splitlines()) == 2
    rows = table((tmp_path / "h.csv").read_text(encoding="utf-8"))
    by_site = {site: [r for r in rows if r["scenario"] == str(site)] for site in (cooler, dryer)}
    assert {len(r) for r in by_site.values()} == {12}
    for row in by_site[cooler]:
        assert row["hottest_pellet_temperature [degC]"] == row["moisture_deviation [%]"] == ""
    for row in by_site[dryer]:
        assert 20 < float(row["hottest_pellet_temperature [degC]"]) < 80.1
        assert 0 < float(row["moisture_deviation [%]"]) < 3
        assert row["fan_speed [%]"] == row["reachable"] == ""
    alone = run("seasons", str(cooler), "--csv", str(tmp_path / "alone.csv"))
    assert alone.status == 0 and "recirculation" not in (tmp_path / "alone.csv").read_text()


def test_faults_come_together(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(FEED[: FEED.index("[target]")] + BATCH, encoding="utf-8")
    done = run("seasons", str(path), "--uncertainty")
    assert done.status == 2 and done.out == ""
    said = " ".join(done.err.split())
    assert "target.moisture" in said and "no [weather] table" in said
    write_weather(tmp_path)
    path.write_text(FEED + BATCH + WEATHER, encoding="utf-8")
    no_chart = run("seasons", str(path), "--chart", str(tmp_path / "c.csv"))
    assert no_chart.status == 2 and "[limits] opens nothing: give a range" in " ".join(no_chart.err.split())
    assert not (tmp_path / "c.csv").exists()


@pytest.mark.thorough
def test_the_scenario_is_what_its_comment_says() -> None:
    """Today's time is too short in the rains and long enough in the dry months; the chart is better in both."""
    case = level("batch-year")
    weather = read_weather(case).rows(slice(None, None, 74))
    weather = weather.rows(np.isin(weather.month, (3, 9)))
    today, chart = coolsim.seasons(case, weather=weather).strategies[:2]
    months = dict(today.months)
    assert months[3].too_wet == 0 and months[9].too_wet > 0.5 * months[9].hours
    assert chart.total.within > 1.3 * today.total.within
    assert chart.total.too_wet < 0.2 * today.total.too_wet
    assert chart.total.cost_given_away < today.total.cost_given_away
