"""What is printed of a line: its machines side by side; and of a schedule of batches."""

from __future__ import annotations

import math

from coolsim.case.result import Result, Schedule, StageRun
from coolsim.output.page import Page, beside, heat_per_water, joined, table
from coolsim.scenario import units as u
from coolsim.support.dual_units import FOOT

CUBIC_FEET = 1 / FOOT**3  # in a cubic metre
TITLES = (
    "",
    "stood before it",
    "moisture in",
    "moisture out",
    "pellets in",
    "pellets out",
    "in the bed",
    "water given off",
    "heat per water",
)


def stages(result: Result, page: Page) -> str:
    """Return the stages of a line in the order in which pellets meet them, with what a dryer of them spends."""
    rows = [_row(run, page) for run in result.stages]
    across = [(title, *cells) for title, cells in zip(TITLES[1:], zip(*(row[1:] for row in rows)))]
    titles = ("by stage", *(row[0] for row in rows))
    text = beside([titles, *across], page, right=range(1, len(titles)))
    return joined(
        [text, *(_of_batches(run, page) for run in result.stages if run.result.schedule is not None)]
    )


def _row(run: StageRun, page: Page) -> tuple[str, ...]:
    result, energy = run.result, run.result.energy
    return (
        run.name,
        page.number(run.stand_by, u.TIME, 0),
        page.number(result.feed_in.moisture_wb, u.FRACTION, 2),
        page.number(result.pellets_out.moisture_wb, u.FRACTION, 2),
        page.number(result.feed_in.temperature, u.TEMPERATURE, 1),
        page.number(result.pellets_out.temperature, u.TEMPERATURE, 1),
        page.number(result.bed.residence_time, u.TIME, 1),
        page.number(result.bed.evaporation, u.MASS_FLOW, 1),
        "-" if energy is None else heat_per_water(energy.heat_per_water, page),
    )


def _of_batches(run: StageRun, page: Page) -> str:
    assert run.result.schedule is not None
    return schedule(run.result.schedule, page, f"{run.name}, batch after batch")


def schedule(plan: Schedule, page: Page, title: str = "Batch after batch") -> str:
    """Return whether batch dryers keep up with the throughput, and what gathers before and behind them."""

    def heap(mass: float, volume: float) -> str:
        if math.isnan(mass):
            return "grows without end"
        room = f"{volume * CUBIC_FEET:.1f} ft³" if page.units == "us" else f"{volume:.2f} m³"
        return f"{page.number(mass, u.MASS, 0)}, {room}"

    verdict = "yes" if plan.surplus == 0 else f"no: {page.number(plan.surplus, u.MASS_FLOW, 0)} pile up"
    rows = [
        (title, ""),
        ("keeps up?", verdict),
        ("batch", page.number(plan.batch_mass, u.MASS, 0)),
        ("cycle of a dryer", page.number(plan.cycle, u.TIME, 1)),
        ("dryers, and needed", f"{plan.dryers:.0f}, {plan.dryers_needed:.0f}"),
        ("they can take", page.number(plan.capacity, u.MASS_FLOW, 0)),
        ("load, of that", page.number(plan.load, u.FRACTION, 0)),
        ("a filling begins every", page.number(plan.interval, u.TIME, 1)),
        ("gathers before, at most", heap(plan.buffer_before, plan.buffer_before_volume)),
        ("gathers behind, at most", heap(plan.buffer_after, plan.buffer_after_volume)),
    ]
    return table(rows, page, right=(1,), bold=(0,))
