"""A size as it is printed: every setting stands there; typed back it is predicted as printed and keeps its wishes.

Nothing is read from the answer but its text, as a person would; the machine is predicted from the scenario with
what the text says typed into it.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from cli.test_dryer_size import BOX
from shipped import level_text

import coolsim
from coolsim.case.case import Case
from coolsim.case.tables import FanData
from coolsim.output import sizes as printed
from coolsim.output.page import Page
from coolsim.scenario import loads
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.propagation.unknowns import unknowns_of, varied
from coolsim.studies.sizing import find

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
# On a floor that is large enough its exhaust goes round
ROUND = (
    BOX.replace("[limits]\n", '[limits]\nrecirculation = ["0 %", "85 %"]\n')
    .replace('inlet_air_temperature = "80', 'recirculation = "0 %"\ninlet_air_temperature = "80')
    .replace("[sizing]\n", '[sizing]\nabove_least = "1 %"\n')
)
ASKED = {
    "cooler": level_text("cooler-to-buy"),
    "batch": ROUND,
    "belt": level_text("belt-to-buy").rpartition("[[sizing.weather]]")[0],  # one of its two weathers
}
COLUMNS = {
    "airflow": "cooler.airflow",
    "bed": "cooler.bed_depth",
    "inlet air": "cooler.inlet_air_temperature",
    "air blown in": "cooler.inlet_air_temperature",
    "time": "cooler.duration",
    "recirc.": "cooler.recirculation",
}


def table(text: str, begins: str) -> list[list[str]]:
    """The cells of a printed table, its titles first."""
    part = text[text.index(begins) :].split("\n\n")[0]
    return [re.split(r"\s{2,}", line.strip()) for line in part.splitlines()]


def rows_of(text: str, begins: str = "at its own settings") -> list[dict[str, str]]:
    """What each product does in each weather; exit and the temperature beside it share a title."""
    titles, *rows = table(text, begins)
    if "exit" in titles:
        at = titles.index("exit") + 1
        titles = [*titles[:at], "leaving at", *titles[at:]]
    found, product = [], ""
    for row in rows:
        if len(row) == 1:  # a product; its weathers follow
            product = f"{row[0]}, "
        else:
            found.append(dict(zip(titles, [product + row[0], *row[1:]], strict=True)))
    return found


def typed(text: str) -> str:
    """A printed quantity as a scenario takes it."""
    return text.replace("m³/h", "m3/h").replace("°C", "degC").replace("m²", "m2")


def fed(case: Case, who: str) -> dict[str, str]:
    """The keys that a product in a weather types otherwise."""
    changes: dict[str, str] = {}
    for table_, base in (("product", "feed"), ("weather", "air")):
        for entry in case.source.value(f"sizing.{table_}") or ():
            if isinstance(entry, Mapping) and entry["name"] in who:
                changes |= {f"{base}.{k}": v for k, v in entry.items() if k != "name"}
    return changes


def machine(case: Case, text: str) -> dict[str, str]:
    """What is built, as it is printed."""
    if case.cooler.arrangement != "belt":
        (line,) = (line for line in text.splitlines() if line.startswith("floor area"))
        changes = {"cooler.floor_area": typed(re.split(r"\s{2,}", line)[1])}
        dryers = re.search(r"batch dryers, side by side +(\d+)", text)
        return changes | ({"schedule.dryers": int(dryers[1])} if dryers else {})
    _, *zones = table(text, "zone  ")
    return {
        f"cooler.zone.{k}.{key}": typed(cell)
        for k, (_, length, air, *_) in enumerate(zones, 1)
        for key, cell in (("length", length), ("airflow", air))
    }


def typed_back(case: Case, text: str, row: dict[str, str]) -> Case:
    keys = {key: typed(row[title]) for title, key in COLUMNS.items() if title in row}
    if case.cooler.arrangement != "batch":  # the time in the bed follows
        keys.pop("cooler.duration", None)
    if case.cooler.arrangement == "belt":  # each zone keeps its distance to the hottest
        keys.pop("cooler.airflow", None)
        hot = float(keys.pop("cooler.inlet_air_temperature").split()[0])
        aims = [zone.inlet_air_temperature for zone in case.cooler.zones]
        most = max(aim for aim in aims if aim is not None)
        keys |= {
            f"cooler.zone.{k}.inlet_air_temperature": f"{hot - most + aim} degC"
            for k, aim in enumerate(aims, 1)
            if aim is not None
        }
    found = coolsim.replace(case, fed(case, row["at its own settings"]) | machine(case, text) | keys)
    return dataclasses.replace(found, fan=FanData())


@pytest.fixture(scope="module", params=ASKED)
def told(request):
    case = loads(ASKED[request.param])
    answer = coolsim.size(case)
    assert answer.met
    return case, answer, printed.sized(case, answer, Page(width=240))


def test_what_is_printed_is_what_is_predicted(told):
    case, answer, text = told
    rows = rows_of(text)
    assert len(rows) == len(answer.served)
    for row in rows:
        there = typed_back(case, text, row)
        result = coolsim.predict(there)
        assert row["exit"] == f"{100 * result.pellets_out.moisture_wb:.2f} %"
        assert row["leaving at"] == f"{result.pellets_out.temperature:.1f} °C"
        assert [v.constraint.name for v in verdicts_of(there, result) if not v.met] == []


def test_every_setting_that_was_found_is_printed_and_written(told):
    case, answer, text = told
    opened = {"cooler": (), "batch": ("recirc.", "time"), "belt": ("belt", "air blown in")}
    kind = case.cooler.arrangement.replace("counter-flow", "cooler")
    takes = rows_of(text, "what it takes")
    assert len(takes) == len(answer.served) and all("load" in row for row in takes)
    for row, s in zip(rows_of(text), answer.served):
        assert {"airflow", "bed", *opened[kind]} <= row.keys()
        there = coolsim.replace(case, dict(fed(case, f"{s.product}, {s.weather}")) | dict(s.set))
        result = coolsim.predict(dataclasses.replace(there, fan=FanData()))
        assert result.pellets_out.moisture_wb == pytest.approx(s.moisture_wb, abs=2e-7)
    if kind == "batch":
        assert max(s.settings.recirculation for s in answer.served) > 0.1


def test_verdicts_are_of_what_is_answered(told):
    case, answer, _ = told
    for s in answer.served:
        of = {v.constraint.name: v for v in s.verdicts}
        assert all(v.met for v in s.verdicts) and s.chance is None
        assert of["moisture"].value == pytest.approx(s.moisture_wb, abs=1e-9)
        assert of["moisture"].constraint.bound == case.target.moisture
        assert "lift_off" in of  # kept whether or not it is typed


def test_nothing_runs_at_its_full_load(told):
    """By hand: without a step of the time of a batch, 1/1.1 = 91 % of what the machine is for, or less."""
    _, answer, _ = told
    step = 30.0 / min(getattr(s.settings, "duration", np.inf) for s in answer.served)
    for s in answer.served:
        assert s.load <= (1 + (step if answer.arrangement == "batch" else 0.0)) / 1.1 + 1e-9
    assert answer.reserve == pytest.approx(0.1)
    assert any("10 %" in w.text and "sizing.reserve" in w.text for w in answer.warnings)


def test_chances_are_those_of_plain_samples():
    """Each input normal, the ± half of its 95 % interval; 4096 of them, drawn by numpy and predicted one by one."""
    text = ASKED["cooler"].replace('moisture = "13.8 %"', 'moisture = "13.8 ± 0.2 %"')
    weathers = text.index("[[sizing.weather]]")
    case = loads(
        text[: text.index("[[sizing.product]]")]
        + text[weathers : text.index("[[sizing.weather]]", weathers + 9)]
    )
    answer = coolsim.size(case, uncertainty=True)
    (s,) = answer.served
    there = coolsim.replace(case, dict(fed(case, s.weather)) | dict(s.set))
    there = dataclasses.replace(there, fan=FanData())
    unknowns = unknowns_of(there)
    assert "feed.moisture" in [u.name for u in unknowns]
    z = np.random.default_rng(7).standard_normal((len(unknowns), 4096))
    cases = varied(there, unknowns, z)
    result = coolsim.predict(cases)
    outside = np.array([c.air.temperature for c in cases])
    target, limits = case.target, case.limits
    kept = {
        "moisture": result.pellets_out.moisture_wb <= target.moisture,
        "above_ambient": result.pellets_out.temperature - outside <= target.maximum_above_ambient,
        "water_activity": result.in_store.water_activity <= target.maximum_water_activity,
        "exhaust_relative_humidity": result.air_out.relative_humidity
        <= limits.maximum_exhaust_relative_humidity,
        "lift_off": result.bed.lift_off <= limits.maximum_lift_off,
        "bed_pressure_drop": result.bed.pressure_drop <= limits.maximum_bed_pressure_drop,
    }
    told = {v.constraint.name: v.chance for v in s.verdicts}
    assert told.keys() == kept.keys()
    for name, share in kept.items():
        assert told[name] == pytest.approx(share.mean(), abs=0.05), name
    assert s.chance == pytest.approx(np.all([*kept.values()], axis=0).mean(), abs=0.05)
    assert 0.2 < s.chance < 0.8


def test_judging_a_part_elsewhere_changes_no_chance():
    """As a report does it: a product's weathers are compared with its first one, wherever they are judged."""
    case = loads(level_text("cooler-to-buy"))
    answer = find.found(case)
    asked: list[int] = []

    def elsewhere(function, part):
        asked.append(len(part[2]))
        return lambda: function(part)

    here, there = (find.completed(case, lambda: answer, True, start) for start in (None, elsewhere))
    assert asked == [3]  # of two products in three weathers one
    assert [s.chance for s in there.served] == [s.chance for s in here.served]
