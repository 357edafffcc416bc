"""The course of a dryer: its history and its layers over time, of one case or as the mean of its columns."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np

from coolsim.case.result import History, Layers
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model.drying import Solution
from coolsim.model.march import Record
from coolsim.numerics.monotone import monotone
from coolsim.physics import air
from coolsim.simulate.uneven_beds import UnevenBeds
from coolsim.support.fields import Array

POINTS = 60  # of a course, at least: between the ends of long steps lie more, for curves


def history_of(s: Solution) -> History:
    """The course of the one case of a solution: as laid, and at the end of each step."""
    w, start = dr.point_weights(s.dryer.z)[:, 0], dr.fed_pellets(s.dryer)
    fed = dr.means(s.dryer, start.moisture)[0][:, 0]
    rows: list[tuple[float, ...]] = []
    began, before = 0.0, float(w @ fed)
    for number, (phase, m) in enumerate(zip(s.phases, s.marches), 1):
        zone = 0 if phase.cooling else number
        for r in m.records:
            X, T = r.mean_moisture[:, 0], r.points[:, db.TP, 1, 0]
            mean = float(w @ X)
            rate = (before - mean) / float(r.duration[0])
            if not rows:  # pellets as laid meet the air of the first stage
                row = _pellets(w, fed, dr.temperature(s.dryer, start)[:, 0])
                rows.append((0.0, *row, *_air(r, 0), rate, zone))
            rows.append((began + float(r.time[0]), *_pellets(w, X, T), *_air(r, 1), rate, zone))
            before = mean
        began += float(phase.programme.duration[0])
    return History(*np.array(rows, float).T)


def _pellets(w: Array, X: Array, T: Array) -> tuple[float, ...]:
    """Mean moisture, that of the lowest and the highest layer, mean and highest temperature."""
    wet = (float(x / (1 + x)) for x in (w @ X, X[0], X[-1]))
    return *wet, float(w @ T), float(T.max())


def _air(r: Record, stage: int) -> tuple[float, ...]:
    """Temperature and humidity ratio of the air that comes in and that leaves, at a stage of a step."""
    (Y_in, h_in), (Y_out, h_out) = r.inlet[:, stage, 0], r.outlet[:, stage, 0]
    T_in, T_out = (float(air.temperature_from_enthalpy(h, Y)) for h, Y in ((h_in, Y_in), (h_out, Y_out)))
    return T_in, float(Y_in), T_out, float(Y_out)


def for_curves(steps: History) -> History:
    """The same course with points within long steps, so that lines through them are curves.

    What is of the pellets goes smoothly through the ends of steps, zone by zone; the air goes straight, and begins
    anew in each zone. The drying rate is that of the moistures.
    """
    ends = steps.time
    pieces = np.maximum(np.ceil(np.diff(ends) / ends[-1] * POINTS - 1e-9), 1).astype(int)
    within = (np.linspace(a, b, n + 1)[1:] for a, b, n in zip(ends, ends[1:], pieces))
    time = np.concatenate([ends[:1], *within])
    step = np.concatenate([[1], np.repeat(np.arange(1, len(ends)), pieces)])  # in which each point lies
    found = {"time": time, "zone": steps.zone[step]}
    borders = [1, *(np.flatnonzero(np.diff(steps.zone[1:])) + 2), len(ends)]
    for name in (f.name for f in dataclasses.fields(History) if f.name not in found):
        values, curve = getattr(steps, name), np.empty_like(time)
        for first, last in itertools.pairwise(borders):
            of_zone = (step >= first) & (step < last)
            if name in _OF_AIR:
                own = slice(0 if first == 1 else first, last)
                curve[of_zone] = np.interp(time[of_zone], ends[own], values[own])
            else:
                own = slice(first - 1, last)
                curve[of_zone] = monotone(ends[own], values[own], time[of_zone])
        found[name] = curve
    X = found["moisture_wb"] / (1 - found["moisture_wb"])
    rate = -np.diff(X) / np.diff(time)
    return History(**found | {"drying_rate": np.append(rate[:1], rate)})


_OF_AIR = (
    *("inlet_air_temperature", "inlet_humidity_ratio", "outlet_air_temperature", "outlet_humidity_ratio"),
    "drying_rate",
)


def layers_of(s: Solution) -> Layers:
    """The moisture of every layer of the one case of a solution, at the end of each step."""
    bed, height = s.dryer.bed, dr.point_positions(s.dryer.z)[:, 0] * s.dryer.bed.depth[0]
    time, X, began = [0.0], [np.full(len(height), bed.feed_moisture_db[0])], 0.0
    for phase, m in zip(s.phases, s.marches):
        time += [began + float(r.time[0]) for r in m.records]
        X += [r.mean_moisture[:, 0] for r in m.records]
        began += float(phase.programme.duration[0])
    moisture = np.array(X)
    return Layers(np.array(time), height, moisture / (1 + moisture))


def mean_course(
    courses: Sequence[tuple[History, Layers]], beds: UnevenBeds, k: int, flux: Array
) -> tuple[History, Layers]:
    """Course of one case as the mean over its columns, at the times of the one that is like the mean.

    Places on a belt are compared, not clocks: a slow column meets the same zone later. Heights are shares of a
    column's depth. `flux` is the air through each column.
    """
    columns = beds.columns
    solid, air_share = beds.solid[:, k], columns.area[:, k] * flux / (columns.area[:, k] @ flux)
    history, layers = courses[len(courses) // 2]
    clocks = [h.time * s for (h, _), s in zip(courses, columns.speed[:, k])]

    def read(name: str) -> Array:
        """(K, steps)."""
        return np.array([np.interp(history.time, t, getattr(h, name)) for t, (h, _) in zip(clocks, courses)])

    mixed = {"time": history.time, "zone": history.zone}
    mixed["highest_temperature"] = read("highest_temperature").max(axis=0)
    for name in (f.name for f in dataclasses.fields(History) if f.name not in mixed):
        values, share = read(name), air_share if "air" in name or "humidity" in name else solid
        mixed[name] = _mixed_moisture(values, share) if name.endswith("moisture_wb") else share @ values
    X = mixed["moisture_wb"] / (1 - mixed["moisture_wb"])
    rate = -np.diff(X) / np.diff(history.time)
    mixed["drying_rate"] = np.append(rate[:1], rate)
    read_layers = np.array([_read_layers(of, s, layers) for (_, of), s in zip(courses, columns.speed[:, k])])
    return History(**mixed), dataclasses.replace(layers, moisture_wb=_mixed_moisture(read_layers, solid))


def _mixed_moisture(wet: Array, share: Array) -> Array:
    """Moisture, wet basis, of pellets of moistures (K, …) mixed by shares of dry solid (K,)."""
    X = np.tensordot(share, wet / (1 - wet), 1)
    return X / (1 + X)


def _read_layers(own: Layers, speed: float, like: Layers) -> Array:
    """Moisture of a column's layers, at the times and shares of the depth of another's, (times, layers)."""
    share = like.height / like.height[-1] * own.height[-1]
    at = np.array([np.interp(share, own.height, row) for row in own.moisture_wb])
    return np.array([np.interp(like.time, own.time * speed, column) for column in at.T]).T
