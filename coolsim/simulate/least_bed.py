"""The least bed that is chosen: no quicker and no shallower than practice and unevenness allow."""

from __future__ import annotations

import dataclasses
from typing import Any

from coolsim.case.case import Case, Line
from coolsim.model.columns import MOST

LEAST_TIME = 480.0  # s, where nobody typed one; assumed: common practice, no source, has 4 to 15 min
LEAST_DEPTH = (
    5.0  # deviations of the depth, likewise; assumed: the thinnest places are two thirds of the mean
)


def least_time(case: Case) -> float:
    """Shortest time in the bed [s] that settings and sizes choose, whatever a range allows.

    What stands there already is judged by no such thing: a plant may run quicker. A batch lies until it is dry.
    """
    typed = case.limits.minimum_residence_time
    if typed is not None:
        return float(typed)
    return 0.0 if case.cooler.arrangement == "batch" else LEAST_TIME


def least_depth(case: Case) -> float:
    """Shallowest bed [m] that settings and sizes choose for its unevenness: in deviations that are a length.

    One that is a share grows with the depth, and no depth is too shallow for it.
    """
    typed = case.limits.minimum_depth_in_deviations
    times = LEAST_DEPTH if typed is None else float(typed)
    return max(times, 1 / MOST) * _deviation(case)


def depths_to_choose(
    case: Case, depths: tuple[float, float], metres_per_second: float = 0.0
) -> tuple[float, float]:
    """A range of depths [m] without those that are too shallow, of a bed so deep for each second in it.

    Where the least leaves nothing of the range, its deep end is left; but for depths that cannot be computed.
    """
    bearable = _deviation(case) / MOST
    low, high = (max(float(end), bearable) for end in depths)
    return min(max(low, least_depth(case), metres_per_second * least_time(case)), high), high


def without_least_bed(case: Case) -> Case:
    """The case, or each stage of its line, with no least time or depth but what can be computed."""
    nothing: dict[str, Any] = {"minimum_residence_time": 0.0, "minimum_depth_in_deviations": 0.0}
    if isinstance(case.cooler, Line):
        stages = tuple(
            dataclasses.replace(stage, limits=dataclasses.replace(stage.limits, **nothing))
            for stage in case.cooler.stages
        )
        return dataclasses.replace(case, cooler=Line(stages))
    return dataclasses.replace(case, limits=dataclasses.replace(case.limits, **nothing))


def _deviation(case: Case) -> float:
    """That of its depth, where it is a length [m]."""
    return float(getattr(case.cooler, "depth_deviation_length", None) or 0.0)
