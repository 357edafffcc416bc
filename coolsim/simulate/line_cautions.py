"""What a person should look at between the machines of a line: what stands there, and what leaves unlike."""

from __future__ import annotations

from collections.abc import Iterator

from coolsim.case.result import StageRun, Warning
from coolsim.support.dual_units import temperature as _degrees

WARM_HEAP, LONG_STAND = (
    45.0,
    1800.0,
)  # °C and s; common practice, no source: oils take up oxygen and give heat


def of_stand_by(run: StageRun) -> Iterator[Warning]:
    """Self-heating of what stands before a stage of a line."""
    T, seconds = float(run.result.feed_in.temperature), float(run.stand_by)
    if seconds <= 0:
        return
    stands = f"pellets stand for {seconds / 60:.0f} min at {_degrees(T)}"
    more = "Local codes and licensed practice decide."
    if T > WARM_HEAP and seconds > LONG_STAND:
        yield Warning(
            "check",
            f"{stands} (limits {_degrees(WARM_HEAP)} and {LONG_STAND / 60:.0f} min): oily feed in a warm heap can "
            "heat itself until it smoulders, and warm wet feed spoils; neither is computed. Feed it on sooner, "
            f"keep the heap small, watch its temperature. {more}",
        )
    else:
        yield Warning(
            "note",
            f"{stands}, computed as closed and without loss or gain of heat: oily feed can heat itself when it "
            f"stands longer or warmer than planned. {more}",
        )


UNLIKE = 0.01  # kg/kg wet that a tenth lies above its mean; less shows in no bag


def of_uneven_feed(before: StageRun) -> Iterator[Warning]:
    """Pellets that leave a stage of a line unlike each other: the next one is computed with their mean."""
    between = before.result.between_pellets
    if between is None:
        return
    tenth, mean = float(between.wettest_tenth.moisture_wb), float(before.result.pellets_out.moisture_wb)
    if tenth - mean > UNLIKE:
        yield Warning(
            "note",
            f"the wettest tenth leaves at {100 * tenth:.1f} %, the mean at {100 * mean:.1f} %. The next machine "
            "is computed with the mean: what it leaves is as uneven as what it is fed, unless pellets lie "
            "together for days.",
        )
