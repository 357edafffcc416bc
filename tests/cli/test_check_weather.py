"""`coolsim check` reads the weather file that a scenario names, and says what a year would."""

from pathlib import Path

from readers.strategies import COOLER
from readers.test_spreadsheets import PLAIN, german

import coolsim


def scenario_with(tmp_path: Path, csv: str, target: str = "") -> Path:
    (tmp_path / "w.csv").write_text(csv)
    path = tmp_path / "mill.toml"
    units = '[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\npressure = "kPa"\n'
    path.write_text(f'{COOLER}{target}[weather]\nfile = "w.csv"\n{units}')
    return path


def test_check_reads_the_weather_that_a_year_would(run, tmp_path: Path) -> None:
    path = scenario_with(tmp_path, PLAIN.replace("60.25", "warm"))
    checked, year = run("check", str(path)), run("seasons", str(path))
    assert checked.status == year.status == 2
    assert 'w.csv:2: relative_humidity: found "warm"' in checked.err
    assert set(checked.err.splitlines()[1:]) <= set(year.err.splitlines())
    done = run("check", str(scenario_with(tmp_path, german(PLAIN))))
    out = " ".join(done.out.split())
    assert done.status == 0 and "6 rows of 1 h" in out and "a comma before the decimals" in out
    assert "`coolsim seasons` would need more: " in out and "target.moisture" in out
    done = run("check", str(scenario_with(tmp_path, PLAIN, '[target]\nmoisture = "12 %"\n')))
    assert done.status == 0 and "would need more" not in done.out


def test_a_scenario_without_weather_is_checked_without(run, tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_text(COOLER)
    assert run("check", str(tmp_path / "mill.toml")).status == 0
    assert coolsim.load(tmp_path / "mill.toml").title
