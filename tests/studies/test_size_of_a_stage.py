"""The size of one stage of a line: what the line then does, against searches with plain predictions of the line."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from cli.test_lines import COOLER, DRYER, HEAD

import coolsim
from coolsim.case.case import Line
from coolsim.output import sizes as printed
from coolsim.output.page import Page
from coolsim.scenario import loads
from coolsim.simulate.requirements import verdicts_of
from coolsim.studies.sizing.find import sized
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

WISHES = 'moisture = "13 %"\nmaximum_above_ambient = "7 K"\n'
LIMITS = '[stage.limits]\nduration = ["5 min", "60 min"]\ninlet_air_temperature = ["60 degC", "95 degC"]\n'
SIZING = '[sizing]\nstage = "{}"\nreserve = "0 %"\nbed_depth = {}\n'
WEATHER = '[[sizing.weather]]\nname = "now"\n[[sizing.weather]]\nname = "cool"\ntemperature = "15 degC"\n'
OF = {"cooler": '["0.3 m", "1.0 m"]', "dryer": '["6 cm", "14 cm"]'}


def line(stage: str, weathers: str = "") -> str:
    asked = HEAD.replace('moisture = "13 %"\n', WISHES) + SIZING.format(stage, OF[stage])
    return asked + weathers + DRYER + LIMITS + COOLER


@pytest.fixture(scope="module", params=["cooler", "dryer"])
def asked(request):
    case = loads(line(request.param, WEATHER if request.param == "cooler" else ""))
    return case, coolsim.size(case)


def test_the_line_keeps_its_wishes_with_the_stage_that_was_found(asked):
    case, answer = asked
    assert answer.met and answer.stage == case.sizing.stage
    for s in answer.served:
        there = sized(case, answer, s)
        assert [stage.name for stage in there.cooler.stages] == [stage.name for stage in case.cooler.stages]
        result = coolsim.predict(there)
        assert result.pellets_out.moisture_wb <= 0.13 * (1 + 1e-6)
        assert result.pellets_out.temperature - there.air.temperature <= 7.0 + 1e-5
        assert s.line_exit.moisture_wb == pytest.approx(result.pellets_out.moisture_wb, abs=1e-9)
        assert s.line_exit.temperature == pytest.approx(result.pellets_out.temperature, abs=1e-6)
        k = [stage.name for stage in case.cooler.stages].index(answer.stage)
        assert s.moisture_wb == pytest.approx(result.stages[k].result.pellets_out.moisture_wb, abs=1e-9)
        assert all(v.met for v in verdicts_of(there, result)) and all(v.met for v in s.verdicts)
        # typed into the scenario it is the same line
        air = {"air.temperature": "15 degC"} if s.weather == "cool" else {}
        typed = coolsim.predict(coolsim.replace(case, air | dict(s.set)))
        assert typed.pellets_out.moisture_wb == pytest.approx(s.line_exit.moisture_wb, abs=2e-7)


def test_the_others_stay_as_they_are(asked):
    case, answer = asked
    there = sized(case, answer, answer.served[0])
    for before, after in zip(case.cooler.stages, there.cooler.stages):
        assert (before == after) == (before.name != answer.stage)


def test_no_smaller_cooler_serves_the_line():
    """Of 315 states of a cooler below the smallest floor none keeps the wishes of the line; above it one does."""
    case = coolsim.replace(loads(line("cooler")), {"stage.2.limits.minimum_residence_time": "0 s"})
    answer = coolsim.size(case, on_dial=False)
    ratio, depth = (a.ravel() for a in np.meshgrid(np.geomspace(0.3, 3, 21), np.linspace(0.3, 1.0, 15)))
    fed = coolsim.predict(case).stages[1].case.feed.throughput

    def kept(floor: float) -> bool:
        first, last = case.cooler.stages
        volume = 0.9  # m³/kg of dry air, or nearly: the air ratio only spans the states
        coolers = (
            dataclasses.replace(
                last.cooler,
                floor_area=floor,
                bed_depth=float(d),
                airflow=float(r * fed * volume),
                air_ratio=None,
            )
            for r, d in zip(ratio, depth)
        )
        lines = [
            dataclasses.replace(case, cooler=Line((first, dataclasses.replace(last, cooler=cooler))))
            for cooler in coolers
        ]
        r = coolsim.predict(lines)
        lift = r.stages[1].result.bed.lift_off
        good = (
            (r.pellets_out.moisture_wb <= 0.13)
            & (r.pellets_out.temperature - case.air.temperature <= 7.0)
            & (lift <= 0.7)
        )
        return bool(good.any())

    assert not kept(0.97 * answer.smallest_floor)
    assert kept(1.1 * answer.smallest_floor)


def test_what_is_printed_names_the_stage_and_tells_the_exit_of_the_line(asked):
    case, answer = asked
    text = printed.sized(case, answer, Page(width=220))
    assert f"To buy: {answer.stage}" in text and "exit of the line" in text
    assert f"{100 * answer.served[0].line_exit.moisture_wb:.2f} %" in text


def test_bad_input_of_a_stage_is_told_all_at_once_with_its_line():
    text = line("cooler", WEATHER).replace('stage = "cooler"', 'stage = "nozzle"')
    text = text.replace('reserve = "0 %"', 'reserve = "300 %"').replace(
        'temperature = "15 degC"', 'temprature = "1 K"'
    )
    with pytest.raises(InputError) as wrong:
        loads(text, "line.toml")
    found = {f.key: f for f in wrong.value.faults}
    assert found.keys() == {"sizing.stage", "sizing.reserve", "sizing.weather.2.temprature"}
    assert "dryer, cooler" in found["sizing.stage"].allowed
    rows = text.splitlines()
    for key, fault in found.items():
        assert rows[int(fault.where.rpartition(":")[2]) - 1].startswith(key.rpartition(".")[2])


def test_a_line_without_the_name_of_its_stage_and_a_machine_with_one():
    with pytest.raises(InputError) as wrong:
        loads(line("cooler").replace('stage = "cooler"\n', ""), "line.toml")
    (fault,) = wrong.value.faults
    assert fault.key == "sizing.stage" and fault.found == "nothing" and "dryer, cooler" in fault.allowed
    alone = HEAD + '[cooler]\nfloor_area = "2 m2"\nbed_depth = "0.5 m"\nairflow = "2500 m3/h"\n'
    with pytest.raises(InputError) as wrong:
        loads(alone + '[sizing]\nstage = "cooler"\n', "mill.toml")
    (fault,) = wrong.value.faults
    assert fault.key == "sizing.stage" and "leave it out" in fault.allowed


def test_faults_of_a_stage_stand_under_its_keys_beside_those_of_the_line():
    text = line("dryer").replace('moisture = "13 %"\n', "")
    text = text.replace(LIMITS, LIMITS + 'airflow = ["0 m3/h", "9000 m3/h"]\n')
    with pytest.raises(InputError) as wrong:
        coolsim.size(loads(text, "line.toml"))
    assert {f.key for f in wrong.value.faults} == {"target.moisture", "stage.1.limits.airflow"}
    for fault in wrong.value.faults:
        assert fault.where.startswith("line.toml:")
