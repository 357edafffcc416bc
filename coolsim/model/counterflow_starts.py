"""Where Newton's method begins in a cooler, and easier coolers on the way to one that is hard."""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.model.counterflow import Problem, State, pose, stage_positions
from coolsim.model.iterate import (
    HUMIDITY,
    TA,
    TP,
    TS,
    XS,
)
from coolsim.support.fields import Array


def first_guess(problem: Problem) -> State:
    """Straight lines between the streams: a start from which Newton's method succeeds 199 times in 200."""
    bed, n = problem.bed, len(problem.shells.volume)
    up = 1 - stage_positions(problem.z)
    K, _, B = up.shape
    points = np.empty((K, 5, 2, B))
    span = bed.feed_temperature - bed.inlet_air_temperature
    points[:, TA] = bed.inlet_air_temperature + 0.6 * span * up
    points[:, TP] = points[:, TA] + 3.0
    points[:, TS] = points[:, TA] + 2.0
    points[:, XS] = 0.9 * problem.feed_shells[-1]
    points[:, HUMIDITY] = bed.inlet_humidity_ratio + 0.02 * up
    return State(np.broadcast_to(problem.feed_shells[:, None], (K, n, 2, B)).copy(), points)


def thin_guess(problem: Problem) -> State:
    """The state of a bed so thin that neither stream changes."""
    bed, n, K = problem.bed, len(problem.shells.volume), len(problem.z) - 1
    points = np.empty((K, 5, 2, bed.cases))
    points[:, XS] = 0.9 * problem.feed_shells[-1]
    points[:, TP], points[:, TA] = bed.feed_temperature, bed.inlet_air_temperature
    points[:, TS] = 0.5 * (bed.feed_temperature + bed.inlet_air_temperature)
    points[:, HUMIDITY] = bed.inlet_humidity_ratio
    return State(np.broadcast_to(problem.feed_shells[:, None], (K, n, 2, bed.cases)).copy(), points)


def with_depth(problem: Problem, share: Array) -> Problem:
    """The same cooler with a share of its depth."""
    bed = dataclasses.replace(problem.bed, depth=problem.bed.depth * share)
    return pose(bed, problem.shells, problem.z, problem.laws)


def with_moisture_slope(problem: Problem, share: Array) -> Problem:
    """The same cooler with pellets whose diffusivity depends on moisture only in part."""
    law = problem.bed.diffusivity
    easier = dataclasses.replace(law, moisture_slope=law.moisture_slope * share)
    bed = dataclasses.replace(problem.bed, diffusivity=easier)
    return pose(bed, problem.shells, problem.z, problem.laws)
