"""The picture of a material: its curves and points are the numbers, and the command writes it."""

from __future__ import annotations

from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

import coolsim
from coolsim import cli, plots


@pytest.fixture(autouse=True)
def closed():
    yield
    plt.close("all")


def test_curves_and_points_of_a_fish_feed() -> None:
    """By hand: pasta has 9.113 % of dry solid at a_w .38 and 40 °C, a feed with 6 % of fat 94 % of that. Its GAB
    at a_w .5 and 60 °C: M0 .0513, C 9.65, k .895 → X .0513·9.65·.4476/(.5524·4.872) = .0824."""
    ax = plots.isotherms(coolsim.load_material("floating-fish-feed"))
    curves, points = ax.lines[::2], ax.lines[1::2]
    assert [line.get_label() for line in curves] == ["40 °C", "60 °C", "80 °C"]
    at = points[0].get_xdata() == 0.38
    X = 0.09113 * 0.94
    assert points[0].get_ydata()[at] == pytest.approx([100 * X / (1 + X)])
    X = 0.0824 * 0.94
    drawn = np.interp(0.5, curves[1].get_xdata(), curves[1].get_ydata())
    assert drawn == pytest.approx(100 * X / (1 + X), rel=3e-3)
    assert sum(len(p.get_xdata()) for p in points) == 33  # eleven at each temperature


def test_a_grain_has_no_points_and_fahrenheit_if_asked() -> None:
    ax = plots.isotherms(coolsim.load_material("pig-pellets"), units="us")
    assert [line.get_label() for line in ax.lines] == ["50 °F", "77 °F", "122 °F"]
    X = 0.1318 / (1 - 0.1318) * 0.96  # corn at 25 °C and 65 % (ASABE D245), 4 % of fat
    assert np.interp(0.65, ax.lines[1].get_xdata(), ax.lines[1].get_ydata()) == pytest.approx(
        100 * X / (1 + X), abs=0.02
    )


@pytest.mark.parametrize("kind, magic", [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")])
def test_the_command_draws(
    kind: str, magic: bytes, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / f"isotherms.{kind}"
    with pytest.raises(SystemExit) as status:
        cli.app(["materials", "marine-pellets", "--plot", str(file)], prog_name="coolsim")
    assert status.value.code == 0 and file.read_bytes().startswith(magic)
    assert "marine-pellets" in capfd.readouterr().out


@pytest.mark.parametrize(
    "arguments, said",
    [
        (["--plot", "x.png"], "--plot draws one material"),
        (["pig-pellets", "--plot", "x.jpg"], ".png or .pdf or .svg"),
        (["pig-pelets", "--plot", "x.png"], "nearest: pig-pellets"),
        (["pig-pellets", "--plot", "no/such/x.png"], "--plot"),
    ],
)
def test_what_cannot_be_drawn(
    arguments: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as status:
        cli.app(["materials", *arguments], prog_name="coolsim")
    out, err = capfd.readouterr()
    assert status.value.code == 2 and out == "" and said in err
    assert list(tmp_path.iterdir()) == []
