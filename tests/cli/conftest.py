"""A scenario that is right, and a hand-made answer, so that the edges are tested without the solver."""

from __future__ import annotations

import importlib
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from coolsim import cli
from coolsim.case.case import Case
from coolsim.case.costs import Cost
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import (
    Accuracy,
    AfterEqualising,
    AirOut,
    Bed,
    FeedIn,
    InputBand,
    InStore,
    PelletsOut,
    Profile,
    Result,
    Warning,
)
from coolsim.machines import Setting
from coolsim.machines.plant import Settings
from coolsim.output import explain
from coolsim.scenario import loads
from coolsim.simulate.requirements import AtLimit, Constraint, Verdict
from coolsim.studies import propagation  # noqa: F401  # these two now, while predict is no stand-in
from coolsim.studies.settings import advice
from coolsim.studies.settings.advice import Advice
from coolsim.studies.settings.answer import Change, Chosen, Gain, Reached, SettingsAnswer, Stand, Step

GOOD = """\
title = "A mill of our own"

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

[cooler]
floor_area = "0.5 m2"
bed_depth = "0.8 m"
airflow = "1500 m3/h"

[target]
moisture = "12 %"
maximum_above_ambient = "6 K"
maximum_water_activity = 0.65
"""


@pytest.fixture(scope="session")
def good() -> str:
    return GOOD


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "mill.toml"
    path.write_text(GOOD, encoding="utf-8")
    return path


@pytest.fixture
def answer() -> Result:
    """Numbers a person could have written down; nothing here was computed by the solver."""
    line = np.linspace(0.0, 0.8, 3)
    return Result(
        feed_in=FeedIn(temperature=82.0, moisture_wb=0.14, flash_loss_wb=0.0),
        pellets_out=PelletsOut(
            temperature=38.25,
            moisture_wb=0.1275,
            moisture_db=0.146132,
            surface_moisture_db=0.13,
            water_activity=0.612,
            mass_flow=0.3291,
        ),
        after_equalising=AfterEqualising(temperature=37.9, water_activity=0.619),
        in_store=InStore(temperature=31.0, water_activity=0.611, of_mean=0.611, of_wettest_tenth=0.611),
        air_out=AirOut(
            temperature=62.5, relative_humidity=0.37, humidity_ratio=0.0534, wet_bulb=44.1, dew_point=42.4
        ),
        bed=Bed(
            depth=0.8,
            residence_time=672.0,
            air_ratio=1.37,
            face_velocity=0.8333,
            lift_off=0.55,
            wen_yu=0.5,
            pressure_drop=1100.0,
            bed_weight=4393.0,
            evaporation=0.0042,
        ),
        accuracy=Accuracy(
            water_imbalance=2e-12, energy_imbalance=-3e-11, moisture_error_wb=8e-5, temperature_error=0.02
        ),
        profile=Profile(
            z=line,
            time=line,
            pellet_temperature=line,
            surface_temperature=line,
            air_temperature=line,
            humidity_ratio=line,
            mean_moisture=line,
            surface_moisture=line,
            moisture=np.zeros((3, 2)),
            radius=np.array([0.0005, 0.0015]),
        ),
        warnings=(
            Warning("note", "The isotherm ends at 60 °C; above it is extrapolated."),
            Warning("danger", "Water would condense in the duct below 42.4 °C."),
            Warning("check", "The pellets leave 7.2 K above the air outside; usual are 3–6 K."),
        ),
        input_band=InputBand(moisture_wb=(0.1228, 0.1311), temperature=(37.1, 39.4)),
    )


# what `settings` needs on top; the limits are those of the answer above
SEARCHED = """
[limits]
fan_speed = ["40 %", "100 %"]
bed_depth = ["0.3 m", "1.2 m"]
maximum_lift_off = "90 %"

[costs]
electricity = "0.15 EUR/kWh"
heat = "0.06 EUR/kWh"
feed = "0.5 EUR/kg"

[fan]
rated_flow = "1800 m3/h"
rated_pressure = "1900 Pa"
motor_efficiency = "90 %"

[duct]
pressure_loss = ["250 Pa", "1500 m3/h"]
leakage = "5 %"
"""


@pytest.fixture
def searched(tmp_path: Path) -> Path:
    path = tmp_path / "searched.toml"
    path.write_text(GOOD + SEARCHED, encoding="utf-8")
    return path


SPEED = Setting(QUANTITIES["fan_speed"], 0.4, 1.0, 0.005, by="airflow")
DEPTH = Setting(QUANTITIES["bed_depth"], 0.3, 1.2, 0.01)


@pytest.fixture
def found(answer: Result) -> Advice:
    """Settings a person could have written down: a target out of reach, with everything there is to say."""
    case = loads(GOOD + SEARCHED)
    settings, today = Settings(0.4, 0.735, 0.8, 672.0, 31.0), Settings(0.5, 0.9, 0.6, 504.0, 31.0)
    ends = (
        Reached(0.1255, settings, (Chosen(SPEED, math.nan, 0.735), Chosen(DEPTH, math.nan, 0.8))),
        Reached(
            0.13,
            Settings(0.5, 0.9, 0.3, 252.0, 31.0),
            (Chosen(SPEED, math.nan, 0.9), Chosen(DEPTH, math.nan, 0.3)),
        ),
    )
    verdicts = (
        Verdict(Constraint(QUANTITIES["moisture"], 0.12, of_target=True), 0.1275),
        Verdict(Constraint(QUANTITIES["above_ambient"], 6.0, of_target=True), 7.25),
        Verdict(Constraint(QUANTITIES["water_activity"], 0.65, of_target=True), 0.611),
        Verdict(Constraint(QUANTITIES["lift_off"], 0.9), 0.55),
    )
    reply = SettingsAnswer(
        met=False,
        chosen=(Chosen(SPEED, 0.9, 0.735), Chosen(DEPTH, 0.6, 0.8)),
        settings=settings,
        case=case,
        result=answer,
        cost=Cost(0.12, 0.0, 1.08, 1.2, 1.0),
        verdicts=verdicts,
        exact_cost=1.2,
        binding=(AtLimit("bed depth, highest", 1.2), AtLimit("fan speed, lowest", 0.4)),
        broken=(AtLimit("moisture", 0.1275), AtLimit("above the air outside", 7.25)),
        hardly_matters=(),
        driest=ends[0],
        wettest=ends[1],
        required_feed_moisture=0.1329,
        one_step=(
            Step("air outside +1 °C", 0.1279, 39.15),
            Step("time in the bed +1 min", 0.12748, 38.249),
        ),
        smallest_changes=(
            Change("feed moisture", 13.29, "%", "feed_moisture", 0.14),
            Change("feed temperature", 95.0, "degC", "feed_temperature", 82.0),
            Change("inlet air temperature", None, "degC", "inlet_air_temperature", 31.0),
            Change("airflow", 1800.0, "m3/h", "airflow", 0.4),
            Change("time in the bed", 20.0, "min", "residence_time", 672.0),
        ),
        now=Stand(case, answer, Cost(0.3, 0.0, 1.2, 1.5, 1.25), verdicts),
        now_settings=today,
        gain=Gain(-0.002, 1.5, 0.3, 600.0, 2000.0, hours_assumed=True),
    )
    return Advice(reply, ends, advice.Heated(70.0, 0.4, 52.0, dry_enough=True, too_warm=True))


@pytest.fixture
def search(monkeypatch: pytest.MonkeyPatch, found: Advice) -> SimpleNamespace:
    """Stand in for the search: `search.found` is what it returns (or raises); `search.asked` what it got."""
    stand_in = SimpleNamespace(found=found, asked=[])

    def advise(case: Case, answer: SettingsAnswer | None = None, *, chances: bool = False) -> Advice:
        stand_in.asked.append(case)
        if isinstance(stand_in.found, BaseException):
            raise stand_in.found
        return stand_in.found

    monkeypatch.setattr(advice, "advise", advise)
    return stand_in


@dataclass(frozen=True)
class Outcome:
    status: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Run the command line in this process and return its exit status, output and messages."""

    def call(*arguments: str) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["coolsim", *arguments])
        capsys.readouterr()
        status = cli.run()
        out, err = capsys.readouterr()
        return Outcome(status, out, err)

    return call


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch, answer: Result) -> SimpleNamespace:
    """Stand in for the solver: `solver.answer` is what it returns (or raises); `solver.asked` what it got."""
    stand_in = SimpleNamespace(answer=answer, asked=[])

    def predict(case: Case, band: bool = False) -> Result:
        stand_in.asked.append(case)
        assert band, "the printed answer needs the band"
        if isinstance(stand_in.answer, BaseException):
            raise stand_in.answer
        return stand_in.answer

    for room in explain.ANSWERS:  # these now, while predict is no stand-in
        importlib.import_module(f"coolsim.{room}")
    module = ModuleType("coolsim.simulate.prediction")
    module.predict = predict  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "coolsim.simulate.prediction", module)
    return stand_in
