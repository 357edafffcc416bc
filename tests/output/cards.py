"""A card's chart written by hand, and the words that stand on a card."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from pypdf import PdfReader
from shipped import level_text

from coolsim.studies.years.chart_answer import Bands, Chart

NAN = np.nan


def written_by_hand() -> Chart:
    """A cell for usual feed, one for drier feed, one for none, and one that never was."""
    return Chart(
        bands=Bands(temperature=np.array([18.0, 25.0, 33.0]), relative_humidity=np.array([0.4, 0.7, 0.95])),
        hours=np.array([[120.0, 80.0], [40.0, 0.0]]),
        met=np.array([[1.0, 0.4], [0.0, NAN]]),
        fan_speed=np.array([[0.723, 0.55], [0.41, NAN]]),
        airflow=np.array([[0.6, 0.5], [0.4, NAN]]),
        bed_depth=np.array([[0.41, 0.52], [0.63, NAN]]),
        residence_time=np.array([[510.0, 612.0], [780.0, NAN]]),
        inlet_air_temperature=np.full((2, 2), NAN),
        feed_moisture=np.array([[0.154, 0.154], [0.154, NAN]]),
        required_feed_moisture=np.array([[0.1619, 0.1479], [NAN, NAN]]),
    )


def sheet(pdf: bytes) -> Any:
    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 2  # behind it a sheet for trials
    return reader.pages[0]


def text_of(pdf: bytes) -> str:
    return " ".join(sheet(pdf).extract_text().split())


WEATHER = '\n[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'


def mill(folder: Path, until: str = "") -> Path:
    """The humid delta in three days of weather of its own; the scenario cut before a table, if one is named."""
    hours = [(h, 22 + 5 * (h % 24 > 8) + h // 9, 40 + (37 * h) % 56) for h in range(72)]
    lines = [f"2023-02-{1 + h // 24:02d}T{h % 24:02d}:00,{T},{RH}" for h, T, RH in hours]
    (folder / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *lines]), encoding="utf-8")
    text = level_text("humid-delta")
    text = text.partition(until)[0] if until else text
    (folder / "mill.toml").write_text(text + WEATHER, encoding="utf-8")
    return folder / "mill.toml"
