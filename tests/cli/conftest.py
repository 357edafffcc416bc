"""A scenario that is right, and a hand-made answer, so that the edges are tested without the solver."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from coolsim import cli
from coolsim.case import Case
from coolsim.result import (
    Accuracy,
    AfterEqualising,
    AirOut,
    Bed,
    FeedIn,
    InputBand,
    PelletsOut,
    Profile,
    Result,
    Warning,
)

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


@pytest.fixture
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
        after_equalising=AfterEqualising(temperature=37.9, water_activity=0.611),
        air_out=AirOut(
            temperature=62.5, relative_humidity=0.37, humidity_ratio=0.0534, wet_bulb=44.1, dew_point=42.4
        ),
        bed=Bed(
            depth=0.8,
            residence_time=672.0,
            air_ratio=1.37,
            face_velocity=0.8333,
            lift_off=0.55,
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
        with pytest.raises(SystemExit) as stopped:
            cli.main()
        out, err = capsys.readouterr()
        return Outcome(int(stopped.value.code or 0), out, err)

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

    module = ModuleType("coolsim.predict")
    module.predict = predict  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "coolsim.predict", module)
    return stand_in
