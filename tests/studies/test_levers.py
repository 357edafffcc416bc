"""What moves the exit: each end is the case set so, predicted by itself; bars stand where their numbers say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from shipped import level

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.output import lever_tables as told
from coolsim.output.page import Page
from coolsim.simulate.requirements import verdicts_of
from coolsim.studies.lever_study import Levers, Span, lever_map

# A rough mesh, shifted to the full one at the case itself, is right to this at the ends (points, K).
ROUGH = {"humid-delta": (0.03, 0.3), "evening-batch": (0.3, 0.5), "dryer-then-cooler": (0.3, 0.5)}
# Keys of a scenario, by what levers call them, and the unit in which the ends are typed back.
TYPED = {
    "feed_moisture": ("feed.moisture", 100.0, "%"),
    "air_temperature": ("air.temperature", 1.0, "degC"),
    "relative_humidity": ("air.relative_humidity", 100.0, "%"),
    "airflow": ("cooler.airflow", 3600.0, "m3/h"),
    "bed_depth": ("cooler.bed_depth", 100.0, "cm"),
    "duration": ("cooler.duration", 1 / 60, "min"),
    "recirculation": ("cooler.recirculation", 100.0, "%"),
    "inlet_air_temperature": ("cooler.inlet_air_temperature", 1.0, "degC"),
    "2.airflow": ("stage.2.airflow", 3600.0, "m3/h"),
}


@pytest.mark.thorough
@pytest.mark.parametrize("name", ROUGH)
def test_each_end_is_the_case_set_so(name: str) -> None:
    case = level(name)
    found = coolsim.levers(case)
    checked = 0
    for s in found.spans:
        if s.key not in TYPED:
            continue
        key, factor, unit = TYPED[s.key]
        for k, end in enumerate(s.ends):
            out = coolsim.predict(coolsim.replace(case, {key: f"{end * factor!r} {unit}"})).pellets_out
            points, kelvin = ROUGH[name]
            assert 100 * s.moisture_wb[k] == pytest.approx(100 * out.moisture_wb, abs=points), (key, end)
            assert s.temperature[k] == pytest.approx(out.temperature, abs=kelvin), (key, end)
            checked += 1
    assert checked >= 8


def test_what_may_be_set_goes_as_far_as_limits_say() -> None:
    """humid-delta: 500 to 2000 m³/h; 0.25 to 0.9 m, of which 8 min of bed are the least: 0.42 m on its dial."""
    case = level("humid-delta")
    spans = {s.key: s for s in coolsim.levers(case).spans}
    assert spans["airflow"].ends == pytest.approx((500 / 3600, 2000 / 3600)) and spans["airflow"].may_be_set
    least = 8 * 60 * (1200 / 3600) / (430 * 0.9)  # m: time · throughput / (bulk density · floor)
    low, high = spans["bed_depth"].ends
    assert least <= low < least + 0.01 and high == 0.9
    assert (
        spans["feed_moisture"].ends == pytest.approx((0.13, 0.15)) and not spans["feed_moisture"].may_be_set
    )
    assert spans["relative_humidity"].ends == pytest.approx((0.67, 0.97))


def test_the_longest_comes_first_and_today_lies_within() -> None:
    found = coolsim.levers(level("humid-delta"))
    lengths = [abs(s.moisture_wb[1] - s.moisture_wb[0]) for s in found.spans]
    assert lengths == sorted(lengths, reverse=True) and lengths[0] > 0.01
    for s in found.spans:
        assert min(s.moisture_wb) <= found.moisture_wb <= max(s.moisture_wb), s.key


@pytest.mark.thorough
def test_an_end_that_breaks_a_limit_says_so() -> None:
    """The line's belt may not warm pellets beyond 90 °C; its fan at full speed is within its range, not beyond."""
    case = level("dryer-then-cooler")
    (hot,) = (s for s in coolsim.levers(case).spans if s.key == "1.inlet_air_temperature")
    for end, kept in zip(("60 degC", "105 degC"), hot.kept):
        colder = f"{float(end.split()[0]) - 10} degC"  # the second zone keeps its distance of 10 K
        one = coolsim.replace(
            case,
            {"stage.1.zone.1.inlet_air_temperature": end, "stage.1.zone.2.inlet_air_temperature": colder},
        )
        verdicts = verdicts_of(one, coolsim.predict(one))
        assert all(v.met for v in verdicts if not v.constraint.of_target) == kept
    assert hot.kept == (True, False)
    assert all(all(s.kept) for s in coolsim.levers(level("monsoon-night")).spans if s.key == "fan_speed")


def span(name: str, moisture: tuple[float, float], kept: tuple[bool, bool] = (True, True)) -> Span:
    q = QUANTITIES[name]
    return Span(name, q.label, q, 0.5, (0.2, 0.9), True, moisture, (30.0, 28.0), kept)


def made(*spans: Span) -> Levers:
    """Today at 11 %, where 11.5 % is wanted."""
    case = coolsim.replace(level("humid-delta"), {"target.moisture": "11.5 %"})
    return Levers(case, 0.11, 30.0, spans)


def test_bars_stand_where_their_numbers_say() -> None:
    """41 columns for 10 to 12 %: a column is 0.05 points; today is the 21st, the target the 31st."""
    found = made(span("bed_depth", (0.12, 0.10)), span("fan_speed", (0.1075, 0.1125)))
    lines = told.summary(found, Page(width=200)).splitlines()
    assert told.MOST_BAR == 40
    at = lines[1].index("+")
    bar = lines[1][at : at + 40]
    assert bar.startswith("+====") and bar.endswith("====-")
    assert (bar.index("o"), bar.index("|")) == (round(39 * 0.5), round(39 * 0.75))
    bar = lines[2][at : at + 40]
    # 10.75 and 11.25 % are 0.375 and 0.625 of the way
    assert (bar.index("-"), bar.index("o"), bar.index("+")) == (round(39 * 0.375), round(39 * 0.5), 24)
    assert bar[round(39 * 0.75)] == "|"
    assert lines[0].split()[3:6] == ["10.0", "12.0", "%"]


@pytest.mark.parametrize("width", [80, 60, 50])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_no_line_is_longer_than_the_page(width: int, encoding: str) -> None:
    long = span("inlet_air_temperature", (0.10, 0.12))
    found = made(span("bed_depth", (0.12, 0.10), (False, True)), long)
    text = told.summary(found, Page(width=width, encoding=encoding))
    assert max(map(len, text.splitlines())) <= width
    assert "Breaks a limit: depth of the bed at its low end." in " ".join(text.split())
    text.encode(encoding)
    rows = [line for line in text.splitlines() if line.startswith("depth of the bed")]
    assert len(rows) == 1 and {"+", "-", "o"} <= set(rows[0])


def test_where_there_is_no_room_for_bars_there_are_numbers() -> None:
    text = " ".join(told.summary(made(span("bed_depth", (0.12, 0.10))), Page(width=40)).split())
    assert "depth of the bed 20 – 90 cm: 12.00 – 10.00 %" in text


def test_json_has_null_where_nothing_is_computed() -> None:
    (one,) = told.as_json(made(span("fan_speed", (np.nan, 0.12))))
    assert one["moisture_wb"] == [None, 0.12] and one["low"] == 0.2 and one["may_be_set"]


def test_the_map_is_of_the_two_longest_that_can_be_moved() -> None:
    """Weather is not on it. At the case itself the map reads what is predicted there."""
    case = level("humid-delta")
    result = coolsim.predict(case)
    found: Any = lever_map(coolsim.levers(case, result), result)
    assert {found.across.key, found.up.key} == {"feed_moisture", "airflow"}
    k = int(np.abs(found.values_across - found.today.across).argmin())
    column = np.interp(found.today.up, found.values_up, found.moisture_wb[:, k])
    assert 100 * column == pytest.approx(100 * result.pellets_out.moisture_wb, abs=0.02)
    assert found.advice is None
