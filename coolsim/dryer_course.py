"""The course of a dryer: its history and its layers over time, of one case or as the mean of its columns."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from coolsim.fields import Array
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model.drying import Solution
from coolsim.physics import air
from coolsim.result import History, Layers
from coolsim.uneven import Laid


def history_of(s: Solution) -> History:
    """The course of the one case of a solution."""
    w, bed = dr.point_weights(s.dryer.z)[:, 0], s.dryer.bed
    rows, began, before = [], 0.0, float(bed.feed_moisture[0])
    for number, (phase, m) in enumerate(zip(s.phases, s.marches), 1):
        zone = 0 if phase.cooling else number
        for r in m.records:
            X, T = r.mean_moisture[:, 0], r.points[:, db.TP, 1, 0]
            mean = float(w @ X)
            (Y_in, h_in), (Y_out, h_out) = r.inlet[:, 1, 0], r.outlet[:, 1, 0]
            rate = (before - mean) / float(r.duration[0])
            T_in, T_out = (air.temperature_from_enthalpy(h, Y) for h, Y in ((h_in, Y_in), (h_out, Y_out)))
            rows.append(
                (
                    began + float(r.time[0]),
                    mean / (1 + mean),
                    X[0] / (1 + X[0]),
                    X[-1] / (1 + X[-1]),
                    float(w @ T),
                    float(T.max()),
                    *(T_in, Y_in, T_out, Y_out, rate, zone),
                )
            )
            before = mean
        began += float(phase.programme.duration[0])
    return History(*np.array(rows, float).T)


def layers_of(s: Solution) -> Layers:
    """The moisture of every layer of the one case of a solution, at the end of each step."""
    bed, height = s.dryer.bed, dr.point_positions(s.dryer.z)[:, 0] * s.dryer.bed.depth[0]
    time, X, began = [0.0], [np.full(len(height), bed.feed_moisture[0])], 0.0
    for phase, m in zip(s.phases, s.marches):
        time += [began + float(r.time[0]) for r in m.records]
        X += [r.mean_moisture[:, 0] for r in m.records]
        began += float(phase.programme.duration[0])
    moisture = np.array(X)
    return Layers(np.array(time), height, moisture / (1 + moisture))


def mean_course(
    courses: Sequence[tuple[History, Layers]], beds: Laid, k: int, flux: Array
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
    mixed["drying_rate"] = _rate(history, mixed["moisture_wb"])
    read_layers = np.array([_read_layers(of, s, layers) for (_, of), s in zip(courses, columns.speed[:, k])])
    return History(**mixed), dataclasses.replace(layers, moisture_wb=_mixed_moisture(read_layers, solid))


def _rate(like: History, wet: Array) -> Array:
    """Water lost per dry solid and second in each step of a course, of moistures at their ends."""
    ends, first = wet / (1 - wet), like.moisture_wb[0] / (1 - like.moisture_wb[0])
    fed = first + like.drying_rate[0] * like.time[0]
    return -np.diff(ends, prepend=fed) / np.diff(like.time, prepend=0.0)


def _mixed_moisture(wet: Array, share: Array) -> Array:
    """Moisture, wet basis, of pellets of moistures (K, …) mixed by shares of dry solid (K,)."""
    X = np.tensordot(share, wet / (1 - wet), 1)
    return X / (1 + X)


def _read_layers(own: Layers, speed: float, like: Layers) -> Array:
    """Moisture of a column's layers, at the times and shares of the depth of another's, (times, layers)."""
    share = like.height / like.height[-1] * own.height[-1]
    at = np.array([np.interp(share, own.height, row) for row in own.moisture_wb])
    return np.array([np.interp(like.time, own.time * speed, column) for column in at.T]).T
