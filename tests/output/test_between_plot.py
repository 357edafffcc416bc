"""The picture of what is between pellets stands where the answer says, in its units."""

from __future__ import annotations

import matplotlib.pyplot as plt
import pytest
from matplotlib.patches import Rectangle
from numpy.testing import assert_allclose
from output.pictures import answer, case

import coolsim
from coolsim import plots
from coolsim.support.errors import InputError

BATCH = "evening-batch"


@pytest.mark.parametrize(("units", "factor", "zero"), [("si", 1.0, 0.0), ("us", 1.8, 32.0)])
def test_what_is_drawn_is_what_is_told(units: str, factor: float, zero: float) -> None:
    plt.switch_backend("agg")
    told, out = answer(BATCH).between_pellets, answer(BATCH).pellets_out
    assert told is not None
    numbers = (
        (100 * told.moisture_wb, 100 * out.moisture_wb, 100 * told.wettest_tenth.moisture_wb),
        (told.temperature, out.temperature, told.warmest_tenth.temperature),
    )
    axes = plots.between_pellets(answer(BATCH), case(BATCH), units=units)
    for axis, (ends, mean, tenth), (a, b) in zip(axes, numbers, ((1.0, 0.0), (factor, zero))):
        (middle,) = (p for p in axis.patches if isinstance(p, Rectangle))
        assert_allclose([middle.get_y(), middle.get_y() + middle.get_height()], a * ends + b, rtol=1e-12)
        assert_allclose([middle.get_x(), middle.get_width()], [10, 80])
        lines = {line.get_label(): line.get_ydata() for line in axis.get_lines()}
        assert_allclose(lines["mean"], [a * mean + b] * 2)
        assert_allclose(next(y for name, y in lines.items() if name.endswith("tenth")), [a * tenth + b] * 2)
    assert_allclose({line.get_label(): line for line in axes[0].get_lines()}["target"].get_ydata(), [10, 10])
    plt.close("all")


def test_pellets_that_are_alike_have_no_such_picture() -> None:
    with pytest.raises(InputError, match=r"all pellets are alike; state cooler\.depth_deviation"):
        plots.between_pellets(answer(), case())
    with pytest.raises(ValueError, match="shows one case"):
        plots.between_pellets(coolsim.predict([case(BATCH)] * 2), case(BATCH))
