"""Pictures and words of a fit show the numbers that a fit holds; the answer here was written down by hand."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest
from output.pictures import case

from coolsim import plots
from coolsim.output.fits import fitted
from coolsim.output.page import Page
from coolsim.studies.fitting.answer import Exit, FitAnswer, Fitted, Measure, Reading


@pytest.fixture(autouse=True)
def canvas():
    plt.switch_backend("agg")
    yield
    plt.close("all")


@pytest.fixture
def answer() -> FitAnswer:
    readings = (
        Reading("one", "moisture", 0.12, 0.002, 0.116, 0.119, 0.118, 0.120),
        Reading("one", "temperature", 35.0, 0.5, 36.0, 35.2, 34.9, 35.5),
        Reading("two", "moisture", 0.13, 0.002, 0.124, 0.131, 0.129, 0.133),
    )
    fitted = (
        Fitted("diffusivity", 1e-9, 5e-10, 2e-9, "m2/s", 2e-9, 1e-10, 1e-8, "", 0.5, True),
        Fitted("specific_heat", 1750.0, 1700.0, 1800.0, "J/(kg K)", 1700.0, 1600.0, 1900.0, "", 0.6, True),
    )
    return FitAnswer(
        case=case(), trials=2, file="t.csv", parameters=fitted, correlation=np.eye(2), readings=readings,
        scatter=1.0, priors=True, suspects=(), alike=(), before=Exit(0.116, 0.003, 35.0, 0.5),
        after=Exit(0.118, 0.001, 35.0, 0.3), next=(Measure("a trial", 0.0008),), warnings=(),
    )  # fmt: skip


def test_measured_stands_against_predicted_with_both_intervals(answer) -> None:
    axis = plots.measured(answer)
    before = axis.get_lines()[0]
    np.testing.assert_allclose(before.get_xydata(), [(12.0, 11.6), (13.0, 12.4)])
    (bars,) = axis.containers
    np.testing.assert_allclose(bars[0].get_xydata(), [(12.0, 11.9), (13.0, 13.1)])
    across, upright = (c.get_segments() for c in bars[2])
    np.testing.assert_allclose(across[0][:, 0], [11.8, 12.2])
    np.testing.assert_allclose(upright[1][:, 1], [12.9, 13.3])
    assert axis.get_xlabel() == "measured exit moisture [% wet basis]"


def test_a_thermometer_in_fahrenheit(answer) -> None:
    axis = plots.measured(answer, "temperature", units="us")
    np.testing.assert_allclose(axis.get_lines()[0].get_xydata(), [(95.0, 96.8)])  # 35 and 36 °C
    across, _ = (c.get_segments() for c in axis.containers[0][2])
    np.testing.assert_allclose(across[0][:, 0], [94.1, 95.9])  # ± 0.5 K is ± 0.9 °F
    assert "[°F]" in axis.get_ylabel()


def test_what_was_not_measured_is_not_drawn(answer) -> None:
    with pytest.raises(ValueError, match="there are: moisture, temperature"):
        plots.measured(answer, "exhaust_temperature")


def test_intervals_are_shares_of_the_published_range(answer) -> None:
    axis = plots.learned(answer)
    assert [t.get_text() for t in axis.get_yticklabels()] == ["specific heat", "diffusivity"]
    lines = axis.get_lines()  # for each number: range, before, interval, value
    np.testing.assert_allclose(lines[2].get_xdata(), [1 / 3, 2 / 3])  # 1700 and 1800 of 1600 to 1900
    np.testing.assert_allclose(lines[3].get_xdata(), [0.5])
    np.testing.assert_allclose(lines[7].get_xdata(), [0.5])  # 1e-9 of 1e-10 to 1e-8, in factors
    np.testing.assert_allclose(lines[6].get_xdata(), [0.5 - np.log10(2) / 2, 0.5 + np.log10(2) / 2])


def test_the_exit_gets_surer(answer) -> None:
    axis = plots.surer(answer)
    widths = [np.ptp(c.get_segments()[0][:, 0]) for bars in axis.containers for c in bars[2]]
    np.testing.assert_allclose(widths, [0.6, 0.2, 0.16])
    assert [t.get_text() for t in axis.get_yticklabels()] == ["published numbers", "fitted", "a trial"]


def test_words_in_us_units(answer) -> None:
    """By hand: 1 BTU/(lb °F) is 4186.8 J/(kg K) (both by definition of the IT calorie), 1 K is 1.8 °F."""
    told = fitted(case(), answer, Page(width=100, units="us"))
    told = " ".join(told.split())
    assert "specific_heat 0.418 BTU/(lb °F) 0.406 – 0.430 0.406 0.382 – 0.454" in told
    assert "temperature 1.80 before, 0.36 °F after" in told  # 36 and 35.2 °C where 35 was measured
    told = " ".join(fitted(case(), answer, Page(width=100)).split())
    assert "1750 J/(kg K)" in told and "temperature 1.00 before, 0.20 K after" in told
