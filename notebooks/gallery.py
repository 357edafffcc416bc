"""The gallery: every picture of coolsim.plots, drawn anew.

    python notebooks/gallery.py

writes notebooks/gallery/*.png and the page notebooks/gallery/README.md that shows them.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np

import coolsim
from coolsim import plots
from coolsim.case import Case
from coolsim.model.solve import Resolution
from coolsim.studies.levers import lever_map

HERE = Path(__file__).parent
SCENARIOS = HERE.parent / "scenarios"
DPI = 100
SMOOTH = Resolution(48, 24)  # the exit is right with fewer; curves through more points look it

PAGE = """\
# Gallery

Every picture of `coolsim.plots`, made by `python notebooks/gallery.py`. Each takes a result, and an axis or a new
figure; `units="us"` shows °F, cfm and inH2O. How they are called: the notebooks beside this folder.
"""


def at(case: Case, airflow: float, minutes: float | None = None) -> Case:
    """Return the case at an airflow [m³/h], and at a dwell if one is given."""
    feed, cooler = case.feed, dataclasses.replace(case.cooler, airflow=airflow / 3600)
    if minutes is not None:
        depth = 60 * minutes * feed.throughput / (feed.bulk_density * cooler.floor_area)
        cooler = dataclasses.replace(cooler, bed_depth=depth)
    return dataclasses.replace(case, cooler=cooler)


def pictures() -> dict[str, tuple[str, Callable[[], Any]]]:
    """Return name → what it shows, and how it is drawn."""
    case = coolsim.load(SCENARIOS / "humid-delta.toml")
    night = coolsim.load(SCENARIOS / "monsoon-night.toml")
    heated = coolsim.replace(case, {"cooler.inlet_air_temperature": "60 degC"})
    result, night_result, heated_result = (
        coolsim.predict(c, resolution=SMOOTH) for c in (case, night, heated)
    )
    pairs = [(q, t) for q in (600, 1200, 1800) for t in np.linspace(2, 16, 8)]
    curves = coolsim.predict([at(case, q, t) for q, t in pairs])
    grid = coolsim.predict(
        [at(case, q, t) for t in np.linspace(3, 17, 11) for q in np.linspace(400, 2200, 13)]
    )
    sweep = coolsim.predict([at(night, q) for q in np.linspace(500, 4500, 17)])
    year = coolsim.seasons(coolsim.load(SCENARIOS / "monsoon-year.toml"))
    size = coolsim.size(coolsim.load(SCENARIOS / "cooler-to-buy.toml"))
    fitted = coolsim.fit(case, SCENARIOS / "delta-trials.csv")
    boxes = coolsim.load(SCENARIOS / "evening-batch.toml")
    batch = coolsim.predict(boxes)
    belt = coolsim.load(SCENARIOS / "belt-four-zones.toml")
    belt_result = coolsim.predict(belt)
    plan = coolsim.plan(coolsim.load(SCENARIOS / "farm-line.toml"))
    with_band, found = coolsim.predict(case, band=True), coolsim.find_settings(case)
    mapped = lever_map(coolsim.levers(case, with_band), with_band, (found.case, found.result))
    return {
        "levers": (
            "What moves the exit, and how far: each thing alone, from end to end of its range.",
            lambda: plots.levers(coolsim.levers(case, with_band)),
        ),
        "lever_map": (
            "The two that move it most: target, limits, today and what to set.",
            lambda: plots.lever_map(mapped),
        ),
        "to_buy": (
            "A machine to buy, drawn to scale with its measures.",
            lambda: plots.to_buy(size),
        ),
        "bed": (
            "Temperatures, moisture and humidity through the bed, as it stands.",
            lambda: plots.bed(result, case=case),
        ),
        "pellet": ("Moisture inside a pellet on its way down.", lambda: plots.pellet(result, case)),
        "isotherms": (
            "Isotherms of a material at three temperatures, with the published points behind them.",
            lambda: plots.isotherms(coolsim.load_material("floating-fish-feed")),
        ),
        "dwell": (
            "Exit moisture and temperature over dwell, for several airflows.",
            lambda: plots.dwell(curves, [f"{q} m³/h" for q, _ in pairs], case=case, title="airflow"),
        ),
        "moisture_map": (
            "Exit moisture over airflow and dwell, with target, limits and the settings of today.",
            lambda: plots.moisture_map(grid, case, chosen=result),
        ),
        "psychrometric": (
            "The air through the bed on a psychrometric chart of the site's pressure, here after a heater.",
            lambda: plots.psychrometric(heated_result, heated),
        ),
        "fan_curve": (
            "The fan, what bed and duct ask of it, and where both meet.",
            lambda: plots.fan_curve(night_result, night, sweep),
        ),
        "drying_curve": (
            "A batch dryer over time, its air reversed every 5 min and cold at the end.",
            lambda: plots.drying_curve(batch, case=boxes),
        ),
        "drying_layers": (
            "The same batch layer by layer: where the bed is still wet, and when.",
            lambda: plots.drying_layers(batch),
        ),
        "belt_zones": (
            "Along a belt: what each zone does to the air's and the pellets' temperatures, and to the moisture.",
            lambda: plots.belt_zones(belt_result, belt),
        ),
        "between_pellets": (
            "What the mean of that batch hides: its middle 80 %, and the tenth that is the wettest or the warmest.",
            lambda: plots.between_pellets(batch, boxes),
        ),
        "balance": (
            "Where water and heat go; the widths are the streams.",
            lambda: plots.balance(result, case),
        ),
        "calendar": (
            "Exit moisture in every hour of a year at one setting.",
            lambda: plots.calendar(year),
        ),
        "strategies": (
            "Ways to run the same year: how its hours end, and what they cost.",
            lambda: plots.strategies(year),
        ),
        "size_curve": (
            "What a larger floor saves, for two products in three kinds of weather.",
            lambda: plots.size_curve(size, currency="USD"),
        ),
        "shift": (
            "A shift of a farm's line: when each machine runs; in the break only the batch in the dryer goes on.",
            lambda: plots.shift(plan),
        ),
        "along_the_line": (
            "Moisture and mass from the mash to the coated pellets of that line.",
            lambda: plots.along_the_line(plan),
        ),
        "measured": (
            "Trials on a line: what the model said before and after they were fitted, against what was measured.",
            lambda: plots.measured(fitted),
        ),
        "learned": (
            "What the trials taught: each number's interval beside its published range.",
            lambda: plots.learned(fitted),
        ),
        "surer": (
            "How much surer the exit became.",
            lambda: plots.surer(fitted),
        ),
    }


def draw(folder: Path) -> None:
    """Write every picture and the page into a folder."""
    import matplotlib.pyplot as plt

    folder.mkdir(exist_ok=True)
    page = [PAGE]
    for name, (words, picture) in pictures().items():
        figure = np.ravel(picture())[0].figure
        figure.savefig(folder / f"{name}.png", dpi=DPI, metadata={"Software": None})
        plt.close(figure)
        page.append(f"## {name}\n\n{words}\n\n![{words}]({name}.png)\n")
    (folder / "README.md").write_text("\n".join(page), encoding="utf-8")


if __name__ == "__main__":
    matplotlib.use("agg")
    draw(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "gallery")
