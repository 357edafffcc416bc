"""Where Newton's method begins: guesses for a dryer's next step in time, from the pellets or from steps before."""

from __future__ import annotations

import numpy as np

from coolsim.model import deep_bed as db
from coolsim.model.deep_bed import State, Step
from coolsim.model.dryer import blown_in
from coolsim.model.iterate import HUMIDITY, TA, TP, TS, XS
from coolsim.numerics.stages import RADAU_POINTS
from coolsim.physics import air, sorption
from coolsim.support.fields import Array

NEARLY_BOILING = 0.9  # highest share of p that the vapour of a first guess has


def first_guess(step: Step) -> State:
    """Pellets as they are, their surfaces nearly so; air on its way from what is blown in to what they would give.

    What leaves decides what enters, so the guess for both is made from air in balance with the last pellets.
    """
    start, dryer = step.start, step.dryer
    bed, supply, laws = dryer.bed, dryer.supply, dryer.laws
    P, _, B = start.moisture.shape
    T, Xs = db.start_temperature(step), start.moisture[:, -1]
    a_w = sorption.water_activity(bed.isotherm, Xs[-1], T[-1])
    p_s = np.minimum(a_w * air.saturation_pressure(T[-1]), NEARLY_BOILING * bed.pressure)
    Y_out = air.humidity_ratio(p_s, bed.pressure)
    blown = blown_in(supply, laws, Y_out, laws.air_enthalpy(T[-1], Y_out))
    T_in = air.temperature_from_enthalpy(blown.enthalpy, blown.humidity_ratio)
    along = np.linspace(0.9, 0.1, P)[:, None]
    points = np.empty((P, 5, 2, B))
    points[:, XS] = 0.98 * Xs[:, None]
    points[:, TP] = points[:, TS] = T[:, None]
    points[:, TA] = (T + along * (T_in - T))[:, None]
    points[:, HUMIDITY] = (Y_out + along * (blown.humidity_ratio - Y_out))[:, None]
    inlet = np.stack([blown.humidity_ratio, blown.enthalpy])
    return State(
        np.repeat(start.moisture[:, :, None], 2, axis=2), points, np.repeat(inlet[:, None], 2, axis=1)
    )


def continued(step: Step, state: State, ratio: Array) -> State:
    """A guess for the next step, `ratio` (B,) times as long: straight on through the last step's stages."""
    slope = ratio / (RADAU_POINTS[1] - RADAU_POINTS[0])

    def onward(f: Array) -> Array:
        last = f[..., 1:, :]
        return last + RADAU_POINTS[:, None] * slope * (last - f[..., :1, :])

    points = onward(state.points)
    return _near(
        state.chain[..., 1:, :], state.points[..., 1:, :], onward(state.chain), points, onward(state.inlet)
    )


def shifted(guess: State, by: State) -> State:
    """A guess, and so much more."""
    return _near(
        guess.chain, guess.points, guess.chain + by.chain, guess.points + by.points, guess.inlet + by.inlet
    )


def missed(guess: State, state: State) -> State:
    """By how much a guess was off."""
    return State(state.chain - guess.chain, state.points - guess.points, state.inlet - guess.inlet)


def _near(chain: Array, points: Array, new_chain: Array, new_points: Array, inlet: Array) -> State:
    """A state whose moistures and humidities are at least half and at most twice those given."""
    for v in (XS, HUMIDITY):
        new_points[:, v] = np.clip(new_points[:, v], 0.5 * points[:, v], 2 * points[:, v])
    return State(np.clip(new_chain, 0.5 * chain, 2 * chain), new_points, inlet)
