"""What a person should look at in a plan: feed that waits, coats and bags; and what no number of it decides."""

from __future__ import annotations

from collections.abc import Iterator

from coolsim.case.result import Result, Warning
from coolsim.physics.bag import MOULDS_POSSIBLE
from coolsim.physics.sorption import water_activity
from coolsim.simulate.capacities import stage_names
from coolsim.simulate.cautions import worst_first
from coolsim.studies.planning.answer import Plan
from coolsim.support.dual_units import mass, temperature
from coolsim.support.visible import visible

WARM, LONG = 30.0, 1800.0  # °C and s: warm moist feed that waits longer is told; common practice, no source
DUST_AND_STEAM = (
    "feed dust can explode, steam and hot surfaces burn, bins and machines can trap: local codes and licensed "
    "practice decide about safety, no number here does."
)


def cautions_of(plan: Plan) -> tuple[Warning, ...]:
    """Warnings of the prediction, of what waits and what is left; the worst first."""
    own = [*plan.result.warnings, *_waiting(plan), *_left(plan), *_unwatched(plan), *_unpriced(plan)]
    own.append(Warning("note", DUST_AND_STEAM))
    return tuple(worst_first(own))


def _runs(plan: Plan) -> list[Result]:
    """The prediction of each machine."""
    return [run.result for run in plan.result.stages] or [plan.result]


def _waiting(plan: Plan) -> Iterator[Warning]:
    """Warm moist feed that waits before a machine."""
    case, names = plan.case, stage_names(plan.case)
    fed = dict(zip(names, (run.feed_in for run in _runs(plan))))
    for p, told in zip(plan.passed, plan.equipment):
        if p.step.machine not in fed or told.waits < LONG:
            continue
        feed = fed[p.step.machine]
        X, T = float(feed.moisture_wb / (1 - feed.moisture_wb)), float(feed.temperature)
        activity = float(water_activity(case.material.isotherm, X, T))
        if T > WARM and activity > MOULDS_POSSIBLE:
            yield Warning(
                "check",
                f"{mass(told.heap)} of feed at {temperature(T)} and a water activity of {activity:.2f} wait up to "
                f"{told.waits / 3600:.1f} h before {told.name}: warm moist feed cakes, heats itself and spoils. "
                "Spread the work, or fill smaller batches sooner.",
            )


def _unwatched(plan: Plan) -> Iterator[Warning]:
    """Batches that go on while people are away."""
    breaks = plan.case.shift.breaks
    for p in plan.passed:
        s = p.step
        if not (breaks and s.goes_on and s.batch is not None):
            continue
        alone = s.cycle - s.filling - s.emptying
        more = s.count * s.batch * sum(min(length, alone) for _, length in breaks) / s.cycle
        ahead = f" Filled just before them, it could take up to {mass(more)} more a shift than is planned."
        yield Warning(
            "note",
            f"{s.name} goes on with its batch in the breaks: somebody must watch it, dryers catch fire "
            f"(shift.dryers_stop = true: it stops).{ahead if plan.bottleneck == s.name else ''}",
        )


def _unpriced(plan: Plan) -> Iterator[Warning]:
    """What goes in and is missing in the cost."""
    case, cost = plan.case, plan.shift.cost
    if cost is None:
        return
    coat = case.coating.coat
    heats = plan.shift.steam > 0 or any(run.energy is not None for run in _runs(plan))
    spent = (
        ("electricity", case.costs.electricity is None),
        ("heat", case.costs.heat is None and heats),
        *((i.name, i.price is None) for i in case.recipe.ingredient),
        ("the oil of the coat", coat.oil > 0),
        ("the powder of the coat", coat.powder > 0),
    )
    free = [name for name, counts in spent if counts]
    if free:
        yield Warning("note", f"without a price, so not in the cost: {', '.join(map(visible, free))}.")


def _left(plan: Plan) -> Iterator[Warning]:
    """What is in the line when the shift ends."""
    left = plan.shift.left_in_line
    if left > 0.02 * plan.shift.input and plan.shift.input > 0:
        yield Warning(
            "note",
            f"{mass(left)} of mash are still in the line when the shift ends: run it empty, or do not leave it "
            "warm and moist overnight.",
        )
