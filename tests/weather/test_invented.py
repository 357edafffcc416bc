"""The invented weather beside the scenario is what its script makes."""

from weather import invent

from coolsim.scenario.weather import load_weather


def test_the_file_is_what_the_script_writes() -> None:
    assert invent.FILE.read_text(encoding="utf-8") == invent.weather()


def test_it_is_a_whole_plausible_year_and_says_that_it_is_invented() -> None:
    assert "Invented" in invent.FILE.read_text(encoding="utf-8").splitlines()[0]
    year = load_weather(invent.FILE, {"temperature": "degC", "relative_humidity": "%"})
    assert len(year) == 8760 and {r.kind for r in year.remarks} == {"note"}
    assert year.temperature.min() > 15 and year.temperature.max() < 42
