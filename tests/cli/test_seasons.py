"""`coolsim seasons`: what it says and writes, faults, and what is kept on Ctrl-C."""

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

import coolsim
from coolsim.output import year_runs
from coolsim.output import years as printed
from coolsim.output.page import Page
from coolsim.studies.years import seasons_of

Run = Callable[..., Any]
WEATHER = '\n[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
OPENED = """
[limits]
airflow = ["900 m3/h", "2400 m3/h"]
[costs]
electricity = "0.15 EUR/kWh"
feed = "0.5 EUR/kg"
"""


def write_weather(folder: Path, hours: int = 48) -> None:
    times = np.datetime64("2023-02-28T00", "h") + np.arange(hours)
    rows = [f"{t}:00,{22 + 6 * np.sin(k / 4):.1f},{75 - k % 24}" for k, t in enumerate(times)]
    rows.insert(5, rows[4])  # twice the same hour
    (folder / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *rows]))


@pytest.fixture
def mill(tmp_path: Path, good: str) -> Path:
    write_weather(tmp_path)
    path = tmp_path / "mill.toml"
    path.write_text(good + WEATHER, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory, good: str) -> Any:
    """A few days with a chart: three strategies."""
    folder = tmp_path_factory.mktemp("opened")
    write_weather(folder, 72)
    path = folder / "mill.toml"
    path.write_text(good + OPENED + WEATHER, encoding="utf-8")
    case = coolsim.load(path)
    return path, coolsim.seasons(case)


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_it_prints_and_writes_whole_files(run: Run, mill: Path, tmp_path: Path) -> None:
    out, hours = tmp_path / "out.json", tmp_path / "hours.csv"
    done = run("seasons", str(mill), "--json", str(out), "--csv", str(hours))
    assert done.status == 0 and done.err == ""
    assert "within target and limits" in done.out and "No settings chart" in done.out
    # the first sentence says how far the hours can be relied on
    assert done.out.split("\n\n")[1].startswith("As computed, with every number taken as exact")
    assert "a time that an earlier row has (line 7)" in done.out
    (line,) = out.read_text(encoding="utf-8").splitlines()
    document = json.loads(line)
    total, months = document["strategies"][0]["total"], document["strategies"][0]["months"]
    rows = table(hours.read_text(encoding="utf-8"))
    assert len(rows) == 48 == total["hours"] == document["weather"]["rows"]
    assert [m["month"] for m in months] == [2, 3]
    for name in ("too_wet", "within", "too_warm"):
        assert (
            sum(int(row[name]) for row in rows) == total[f"{name}_h"] == sum(m[f"{name}_h"] for m in months)
        )
    # written to four digits: 48 roundings of half of the last one
    assert sum(float(r["product [kg/h]"]) for r in rows) == pytest.approx(1000 * total["product_t"], abs=3e-3)
    assert sum(float(r["electricity [kW]"]) for r in rows) == pytest.approx(
        total["electricity_kWh"], abs=3e-3
    )
    one = rows[13]
    case = coolsim.load(mill)
    air = coolsim.Air(*(float(one[k]) / f for k, f in AIR.items()))
    predicted = coolsim.predict(case, air=air).pellets_out
    assert float(one["exit_moisture [%]"]) == pytest.approx(100 * predicted.moisture_wb, abs=2e-3)
    assert float(one["exit_temperature [degC]"]) == pytest.approx(predicted.temperature, abs=2e-2)
    assert not list(tmp_path.glob("*.part"))


AIR = {"temperature [degC]": 1.0, "relative_humidity [%]": 100.0, "pressure [Pa]": 1.0}


def test_json_on_standard_output_is_one_line_per_site(run: Run, mill: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text(mill.read_text().replace("A mill of our own", "Another"))
    done = run("seasons", str(mill), str(other), "--json", "-", "--csv", str(tmp_path / "h.csv"))
    documents = [json.loads(line) for line in done.out.splitlines()]
    assert done.status == 0
    assert [d["title"] for d in documents] == ["A mill of our own", "Another"]
    rows = table((tmp_path / "h.csv").read_text())
    assert [r["scenario"] for r in rows] == [str(mill)] * 48 + [str(other)] * 48


def test_ctrl_c_keeps_finished_sites(
    run: Run, mill: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(cases: Any, **how: Any) -> Any:
        yield from seasons_of(cases[:1], direct=how["direct"])
        raise KeyboardInterrupt

    monkeypatch.setattr(year_runs, "seasons_of", stopped)
    done = run(
        "seasons", str(mill), str(mill), "--json", str(tmp_path / "o.json"), "--csv", str(tmp_path / "h.csv")
    )
    assert done.status == 130 and "stopped" in done.err
    assert len((tmp_path / "o.json").read_text().splitlines()) == 1
    assert len(table((tmp_path / "h.csv").read_text())) == 48


def test_faults(run: Run, mill: Path, tmp_path: Path, good: str) -> None:
    no_weather = tmp_path / "plain.toml"
    no_weather.write_text(good)
    done = run("seasons", str(no_weather))
    assert done.status == 2 and "no [weather] table" in done.err
    no_chart = run("seasons", str(mill), "--chart", str(tmp_path / "c.csv"))
    assert no_chart.status == 2 and "[limits] opens nothing" in no_chart.err
    assert not (tmp_path / "c.csv").exists()
    nowhere = run("seasons", str(mill), "--csv", str(tmp_path / "no" / "h.csv"), "--json", str(tmp_path))
    assert nowhere.status == 2 and "2 faults" in nowhere.err
    both = run("seasons", str(tmp_path / "a.toml"), str(tmp_path / "b.toml"))
    assert both.status == 2 and "a.toml" in both.err and "b.toml" in both.err
    (tmp_path / "w.csv").write_text("time,temp\n")
    broken = run("seasons", str(mill))
    assert broken.status == 2 and "w.csv:1: temperature" in broken.err and "w.csv:1: humidity" in broken.err


@pytest.mark.parametrize("width", [40, 60, 80, 132])
@pytest.mark.parametrize("units", ["si", "us"])
def test_it_fits_any_width_and_ascii(year: Any, width: int, units: str) -> None:
    text = printed.year(year[1], Page(width, encoding="ascii", units=units))
    assert text.isascii() and max(map(len, text.splitlines())) <= width
    assert "chart, feed" in text and "Time in the bed, min" in text and "Feed moisture it needs" in text
    assert ("short ton" in text) == (units == "us") and not strays(text.replace("deg", "°"), units)


def test_the_chart_file_is_the_chart(year: Any, tmp_path: Path) -> None:
    _, answer = year
    files = year_runs.Files(str(tmp_path / "a.json"), None, str(tmp_path / "c.csv"))
    files.add(answer, "mill.toml", print)
    rows = table((tmp_path / "c.csv").read_text(encoding="utf-8"))
    ours = [row for row in rows if row["strategy"] == "settings chart"]
    assert sum(float(row["hours"]) for row in ours) == 72 and len(ours) <= 64
    document = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    chart = document["strategies"][1]["chart"]
    assert sum(map(sum, chart["hours_h"])) == 72
    i, j = np.argwhere(np.array(chart["hours_h"]) > 0)[0]
    assert float(ours[0]["airflow [m3/h]"]) == pytest.approx(chart["airflow_m3_h"][i][j], abs=0.5)
    assert float(ours[0]["required_feed_moisture [%]"]) == pytest.approx(
        100 * chart["required_feed_moisture_wb"][i][j], abs=0.05
    )
    in_json = year_runs.Files(None, None, str(tmp_path / "c.json"))
    in_json.add(answer, "mill.toml", print)
    written = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert [c["strategy"] for c in written["charts"]] == [
        "settings chart",
        "settings chart, feed moisture adjusted",
    ]
    assert written["charts"][0]["chart"] == chart


# -- how sure a year is


@pytest.fixture(scope="module")
def surely(tmp_path_factory: pytest.TempPathFactory, good: str) -> Any:
    folder = tmp_path_factory.mktemp("surely")
    write_weather(folder, 60)
    path = folder / "mill.toml"
    path.write_text(good.replace('"14 %"', '"14 ± 0.3 %"') + WEATHER, encoding="utf-8")
    return path


@pytest.mark.thorough
def test_how_sure_a_year_is(run: Run, surely: Path) -> None:
    """Text, JSON and Python say the same."""
    done = run("seasons", str(surely), "--uncertainty", "--json", str(surely.with_suffix(".json")))
    assert done.status == 0 and done.err == ""
    document = json.loads(surely.with_suffix(".json").read_text(encoding="utf-8"))
    written = document["strategies"][0]["uncertainty"]
    (strategy,) = coolsim.seasons(coolsim.load(surely), uncertainty=True).strategies
    assert strategy.sure is not None
    low, middle, high = (100 * getattr(strategy.sure.moisture_wb, x) for x in ("low", "middle", "high"))
    assert f"{low:.2f} – {high:.2f}" in done.out and f"{middle:.2f}" in done.out
    within = strategy.sure.within
    assert f"as it is {within.low:.0f} – {within.high:.0f} h." in " ".join(done.out.split("\n\n")[1].split())
    assert written["moisture_wb"]["low"] == pytest.approx(low / 100)
    assert written["product_t"]["middle"] == pytest.approx(strategy.sure.product.middle / 1000)
    assert written["within_h"]["low"] <= strategy.total.within <= written["within_h"]["high"]
    assert "feed.moisture" in done.out and "13.7 – 14.3 %" in done.out
    assert {c["name"] for c in written["contributors"]} >= {"feed.moisture", "diffusivity"}
    assert (written["samples"], written["unsolved"], written["left_out"]) == (128, 0, [])


def test_without_it_nothing_is_said_of_it(run: Run, surely: Path) -> None:
    done = run("seasons", str(surely), "--json", "-")
    assert done.status == 0 and "uncertainty" not in json.loads(done.out)["strategies"][0]


@pytest.mark.parametrize(
    ("width", "units"), [("36", "us"), pytest.param("100", "si", marks=pytest.mark.thorough)]
)
def test_how_sure_at_any_width(run: Run, surely: Path, monkeypatch, width: str, units: str) -> None:
    monkeypatch.setenv("COLUMNS", width)
    done = run("seasons", str(surely), "--uncertainty", "--units", units)
    assert done.status == 0
    assert max(map(len, done.out.splitlines())) <= int(width)
    assert ("lb" in done.out) == (units == "us")


def test_faults_of_a_year_come_together(run: Run, surely: Path) -> None:
    text = surely.read_text(encoding="utf-8").replace("[target]\nmoisture", "[target]\n# moisture")
    other = surely.with_name("other.toml")
    other.write_text(text.replace('airflow = "1500 m3/h"', 'airflow = "1500 ± 20 m3/h"'), encoding="utf-8")
    done = run("seasons", str(other), "--uncertainty")
    assert done.status == 2 and "target.moisture" in done.err
