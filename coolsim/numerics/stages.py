"""Two-stage upwind Galerkin steps along the bed, for a stream that runs down it and one that runs up.

A stream's density f is linear within a cell and known at the two Gauss points; it takes what the cell
upstream hands over. For df/ds = S along the stream, with S at the same two points,

    STAGE · f + ENTRY f_entry = Δs S,        f_exit = EXIT · f.

This is the discontinuous Galerkin scheme of degree one with Gauss quadrature: third order at the cell
edges, L-stable (a stiff layer thinner than a cell is stepped over without ringing), and conservative:
what it takes from one stream it gives to the other to the last digit, whatever the mesh. For linear
problems its stability function is that of Radau IIA (Hairer & Wanner, Solving Ordinary Differential
Equations II, IV.5; Lesaint & Raviart 1974).

Arrays have shape (cells, …, 2, cases): axis −2 holds the stages in the order of z. A stream that runs up
meets them in the opposite order, so its matrices are those below turned by 180°.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coolsim.support.fields import Array

_R = np.sqrt(3.0)
GAUSS_POINTS = np.array([0.5 - _R / 6, 0.5 + _R / 6])  # within a cell, in the order of z


@dataclass(frozen=True)
class Stream:
    """Stage matrix (2, 2), entry and exit vectors (2,) of one direction, and that direction."""

    stage: Array
    entry: Array
    exit: Array
    down: bool


DOWN = Stream(
    stage=np.array([[2.0, _R - 1], [-(_R + 1), 2.0]]),
    entry=np.array([-(_R + 1), _R - 1]),
    exit=np.array([-(_R - 1) / 2, (_R + 1) / 2]),
    down=True,
)
UP = Stream(DOWN.stage[::-1, ::-1].copy(), DOWN.entry[::-1].copy(), DOWN.exit[::-1].copy(), down=False)


def exits(stream: Stream, f: Array) -> Array:
    """What each cell hands on: (cells, …, 2, cases) → (cells, …, cases)."""
    return stream.exit[0] * f[..., 0, :] + stream.exit[1] * f[..., 1, :]


def entries(stream: Stream, f: Array, boundary: Array) -> Array:
    """What each cell receives, `boundary` at the end where the stream comes in: → (cells, …, cases)."""
    passed = exits(stream, f)
    received = np.empty_like(passed)
    if stream.down:
        received[0], received[1:] = boundary, passed[:-1]
    else:
        received[-1], received[:-1] = boundary, passed[1:]
    return received


def differences(stream: Stream, f: Array, boundary: Array) -> Array:
    """STAGE · f + ENTRY f_entry, the scheme's Δs df/ds: (cells, …, 2, cases) → same."""
    (c_00, c_01), (c_10, c_11) = stream.stage.tolist()
    e_0, e_1 = stream.entry.tolist()
    received = entries(stream, f, boundary)
    f_0, f_1 = f[..., 0, :], f[..., 1, :]
    out = np.empty_like(f)
    out[..., 0, :] = c_00 * f_0 + c_01 * f_1 + e_0 * received
    out[..., 1, :] = c_10 * f_0 + c_11 * f_1 + e_1 * received
    return out


# ---- Steps in time --------------------------------------------------------------------------------------
#
# Radau IIA of two stages: third order, L-stable, and the last stage is the end of the step, so that what
# has no memory (surfaces, air) is right there too. It is the scheme above with its stages moved to 1/3
# and 1 (Hairer & Wanner, IV.5): f₁ and f₂ collocate, and f(1) − f(0) = Δt (¾ S₁ + ¼ S₂).

RADAU_POINTS = np.array([1 / 3, 1.0])  # within a step
RADAU_WEIGHTS = np.array([0.75, 0.25])  # of the integral over a step
STEP = Stream(
    stage=np.array([[1.5, 0.5], [-4.5, 2.5]]),
    entry=np.array([-2.0, 2.0]),
    exit=np.array([0.0, 1.0]),
    down=True,
)


def changes(f: Array, start: Array) -> Array:
    """STAGE · f + ENTRY f_start of one step in time, Δt df/dt at its stages: (…, 2, cases), (…, cases) → f's."""
    (c_00, c_01), (c_10, c_11) = STEP.stage.tolist()
    e_0, e_1 = STEP.entry.tolist()
    f_0, f_1 = f[..., 0, :], f[..., 1, :]
    out = np.empty_like(f)
    out[..., 0, :] = c_00 * f_0 + c_01 * f_1 + e_0 * start
    out[..., 1, :] = c_10 * f_0 + c_11 * f_1 + e_1 * start
    return out


def over_step(f: Array) -> Array:
    """Mean over a step of what is known at its stages: (…, 2, cases) → (…, cases)."""
    return RADAU_WEIGHTS[0] * f[..., 0, :] + RADAU_WEIGHTS[1] * f[..., 1, :]
