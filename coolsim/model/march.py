"""From laid pellets to dried ones: many dryers marched through time, each with steps of its own.

A step that Newton's method does not manage is tried again a quarter as long. Steps are as long as keeps their bend
near a tolerance: how far a step's end is off the straight line through its beginning and its first stage. When the
air reverses, the next step is a short one, though longer than at the start. Seen along the air's path the bed then
goes through much the same as after the last reversal, so guesses are corrected by what they missed by then.

Batches whose air turns
-----------------------
Seen along the air's path a bed goes through much the same after each reversal. So what the guesses for the first
three steps missed is kept (`march._learn`), and added to those of the next turn where steps are as long. The two
meshes march as one array, so the coarse one has to look the same from both sides too (`mesh.doubled`), with cells
of thickness at both ends: cells without it stay as laid, and a first guess takes the exhaust from the last
pellets.

Measured on `evening-batch.toml`, then with seven reversals and no cooling, rounds of Newton's method: 147 before;
122 with the mirrored coarse mesh, guesses of humidity within half and twice, and a last Newton step of 1e-4; 96
with what was missed. A last step of 1e-5 is kept all the same: it takes 4 % more rounds, and with 1e-4 the heat
of a turned bed that is cooled for hours closed to 3e-8 only, where 1e-8 is promised. Steps in time are the same,
and so is the error against steps thirty times shorter: 0.0080 point, 0.009 K.

Dead ends: ending Newton's method by how fast it contracts (no better than 1e-4, and more to explain); what was
missed two reversals ago, in the same direction (begins a turn later, and is no nearer); more than three steps of
a turn.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import guess as guessing
from coolsim.model.bed import take
from coolsim.model.deep_bed import State, Step
from coolsim.model.dryer import Dryer, Pellets
from coolsim.model.iterate import MOISTURE_SCALE, TEMPERATURE_SCALE
from coolsim.numerics.newton import CLOSE, Method, newton
from coolsim.numerics.stages import RADAU_POINTS, over_step
from coolsim.physics import air, packed_bed
from coolsim.support.fields import Array

# Size of a last Newton step. With 1e-4 the heat of a turned bed in cold air closes to 3e-8 only.
ENOUGH = 1e-5
MOST_STEPS, MOST_HALF_STEPS = 12, 40  # Newton steps before a step in time is cut
CUT, LEAST_STEP = 0.25, 1e-9  # of a step that failed; shortest step, as a share of the duration
SHORTER = 0.5  # at the most, of a step that bent too much
FIRST_STEP = 0.5  # in the time in which the film would heat a pellet
OTHER_AIR = 6.0  # likewise where pellets come from other air; reversed, it bends by half of the tolerance
STEP_TOLERANCE = 0.1  # of how far a step bends, in db.MOISTURE_SCALE and TEMPERATURE_SCALE
# Times the tolerance: a step that bends so much is taken again. The first in other air sooner: its length is not
# chosen by its bend, and it may be all there is until the next reversal. The last sooner: none follows to mend it.
REJECTED, FIRST_REJECTED, LAST_REJECTED = 4.0, 1.0, 0.5
SLOWEST_GROWTH, FASTEST_GROWTH = 0.3, 4.0
KEPT = 3  # steps after a reversal whose guesses are corrected
ALIKE = 1.25  # factor within which a step is as long as the one it is corrected by


@dataclass(frozen=True)
class Programme:
    """What is done with the bed, per case (B,)."""

    duration: Array  # s
    reverse_every: Array  # s; inf: the air never reverses
    from_above: NDArray[np.bool_]  # whether the air comes down at first


@dataclass(frozen=True)
class Record:
    """Steps that some cases took at the same turn of the loop, in the order of the bed (not of the air)."""

    index: NDArray[np.intp]  # which cases, (b,)
    time: Array  # at the end of the step [s], (b,)
    duration: Array  # of the step, (b,)
    from_above: NDArray[np.bool_]  # whether the air came down, (b,)
    points: Array  # (P, 5, 2, b), as db.State
    mean_moisture: Array  # X̄ at the end, (P, b)
    inlet: Array  # (2, 2, b): Y and h
    outlet: Array  # (2, 2, b)
    heat: Array  # J per kg dry air, over the step's mean, (b,)
    pellets: Pellets | None = None  # at its end, in the order of the bed, where they were to be kept


@dataclass(frozen=True)
class March:
    """Where all cases have come, and every step on the way."""

    dryer: Dryer
    pellets: Pellets  # in the order of the bed
    reached: NDArray[np.bool_]  # whether the end was reached, (B,)
    newton_steps: NDArray[np.intp]  # (B,)
    records: list[Record]


def as_one(records: Sequence[Record]) -> Record:
    """All steps side by side, each of its case: indices come again, in the order of time. Pellets are left out."""
    names = [f.name for f in dataclasses.fields(Record) if f.name != "pellets"]
    joined: dict[str, Any] = {n: np.concatenate([getattr(r, n) for r in records], axis=-1) for n in names}
    return Record(**joined)


def _put(data: Any, index: Any, part: Any) -> Any:
    """The arrays of a flat data class with cases `index` (last axis) replaced."""
    changed = {}
    for f in dataclasses.fields(data):
        changed[f.name] = getattr(data, f.name).copy()
        changed[f.name][..., index] = getattr(part, f.name)
    return dataclasses.replace(data, **changed)


def _half_step(step: Step, state: State) -> tuple[State, Array]:
    """Half a Newton step while steps are large: ends the to and fro between two states on either side of a kink."""
    new, size = db.newton_step(step, state)
    w = np.where(size > CLOSE, 0.5, 1.0)
    parts = ((getattr(state, f.name), getattr(new, f.name)) for f in dataclasses.fields(State))
    return State(*(old + w * (f - old) for old, f in parts)), size


METHOD, HALVED = (Method(step, take, _put) for step in (db.newton_step, _half_step))


def _solved(
    step: Step, guess: State, fresh: NDArray[np.bool_], enough: float
) -> tuple[State, NDArray[np.bool_], NDArray[np.intp]]:
    """One step in time. From a first guess, which may be far off, a failure is followed by half steps."""
    state, converged, taken = newton(METHOD, step, guess, len(fresh), MOST_STEPS, enough)
    again = np.flatnonzero(fresh & ~converged)
    if len(again):
        part = take(guess, again)
        part, reached, more = newton(HALVED, take(step, again), part, len(again), MOST_HALF_STEPS, enough)
        state = _put(state, again, part)
        converged[again] = reached
        taken[again] += more
    return state, converged, taken


@dataclass
class _Going:
    """The cases still under way, compact; every array has the cases last."""

    index: NDArray[np.intp]
    dryer: Dryer  # in the order of the air's path
    pellets: Pellets
    state: State | None  # of the last step that was taken
    fresh: NDArray[np.bool_]  # no last step to continue from
    time: Array
    last: Array  # duration of the last step
    next: Array  # duration of the next one
    turns: NDArray[np.intp]  # reversals so far
    above: NDArray[np.bool_]  # whether the air comes down now
    since: NDArray[np.intp]  # steps since the last reversal
    missed: tuple[State, ...]  # what guesses for the first steps since a reversal were off by, the last time
    lasted: Array  # those steps, (KEPT, B)


def march(
    dryer: Dryer,
    pellets: Pellets,
    programme: Programme,
    tolerance: Array,
    enough: float = ENOUGH,
    *,
    feed: bool = True,
    keep: bool = False,
) -> March:
    """March all cases to their ends; pellets in the order of the bed; tolerance (B,) of a step.

    enough: size of the Newton step that is the last one. feed: whether the pellets are the feed as laid, or have
    been in other air before. keep: whether the pellets at the end of each step are kept.
    """
    B, laid_out, in_bed = dryer.bed.cases, dryer, pellets
    dryer, pellets = _seen_from(dryer, pellets, programme.from_above)
    first = first_step(dryer, FIRST_STEP if feed else OTHER_AIR)
    end, every = programme.duration, programme.reverse_every
    g = _Going(
        np.arange(B),
        dryer,
        pellets,
        None,
        np.ones(B, bool),
        np.zeros(B),
        first,
        np.minimum(first, end),
        np.zeros(B, np.intp),
        programme.from_above,
        np.zeros(B, np.intp),
        KEPT * (_nothing(dryer),) if (every < end).any() else (),
        np.zeros((KEPT, B)),
    )
    final, reached, steps = in_bed, np.zeros(B, bool), np.zeros(B, np.intp)
    records: list[Record] = []
    while len(g.index):
        stop = _next_stop(g, end, every)
        left = stop - g.time
        duration = np.minimum(g.next, left)
        duration = np.where((duration < left) & (duration > 0.5 * left), 0.5 * left, duration)
        step = db.begin(g.dryer, g.pellets, duration)
        naive = _guess(step, g)
        guess = _corrected(naive, step, g)
        state, converged, taken = _solved(step, guess, g.fresh, enough)
        steps[g.index] += taken
        bent = _bend(step, state) / tolerance[g.index]
        most = np.where(g.fresh, FIRST_REJECTED, REJECTED)
        most = np.where(g.time + duration < end[g.index], most, LAST_REJECTED)
        accepted = converged & (bent < most)
        if accepted.any():
            records.append(
                _record(step, state, g, accepted, np.where(duration == left, stop, g.time + duration))
            )
        _learn(g, step, naive, state, accepted)
        _go_on(g, step, state, accepted, stop, bent, most)
        if keep and accepted.any():
            ordered = take(_seen_from(g.dryer, g.pellets, g.above)[1], np.flatnonzero(accepted))
            records[-1] = dataclasses.replace(records[-1], pellets=ordered)
        done = g.time >= end[g.index]
        lost = g.next < LEAST_STEP * end[g.index]
        if (done | lost).any():
            _, ordered = _seen_from(g.dryer, g.pellets, g.above)
            final = _put(final, g.index[done], take(ordered, done))
            reached[g.index[done]] = True
            _leave(g, ~(done | lost))
        _reverse(g, every)
    return March(laid_out, final, reached, steps, records)


def first_step(dryer: Dryer, share: float) -> Array:
    """A share of the time in which the film would heat a pellet, (B,) seconds."""
    bed = dryer.bed
    T = air.temperature_from_enthalpy(dryer.supply.fresh_enthalpy, dryer.supply.fresh_humidity_ratio)
    h = packed_bed.heat_transfer_coefficient(bed.air_flux, 2 * bed.radius, T)
    capacity = bed.solid_density * (bed.specific_heat + air.HEAT_CAPACITY_WATER * bed.feed_moisture_db)
    return np.asarray(share * capacity * bed.radius / (3 * h))


def _next_stop(g: _Going, end: Array, every: Array) -> Array:
    end = end[g.index]
    stop = np.minimum(end, (g.turns + 1) * every[g.index])
    return np.where(end - stop < LEAST_STEP * end, end, stop)


def _guess(step: Step, g: _Going) -> State:
    if g.state is None or g.fresh.all():
        return guessing.first_guess(step)
    guess = guessing.continued(step, g.state, np.minimum(step.duration / g.last, FASTEST_GROWTH))
    return _put(guess, g.fresh, take(guessing.first_guess(step), g.fresh)) if g.fresh.any() else guess


def _nothing(dryer: Dryer) -> State:
    """What a guess that is right misses by."""
    P, n, B = 2 * (len(dryer.z) - 1), len(dryer.shells.volume), dryer.bed.cases
    return State(np.zeros((P, n, 2, B)), np.zeros((P, 5, 2, B)), np.zeros((2, 2, B)))


def _corrected(guess: State, step: Step, g: _Going) -> State:
    """The guess, and what the one for a step like this missed by after the last reversal."""
    longer, shorter = step.duration < ALIKE * g.lasted, g.lasted < ALIKE * step.duration
    for j, missed in enumerate(g.missed):
        k = np.flatnonzero((g.since == j) & longer[j] & shorter[j])
        if len(k):
            guess = _put(guess, k, guessing.shifted(take(guess, k), take(missed, k)))
    return guess


def _learn(g: _Going, step: Step, guess: State, state: State, accepted: NDArray[np.bool_]) -> None:
    """Keep what the guesses for steps that were accepted missed by."""
    misses = list(g.missed)
    for j, missed in enumerate(g.missed):
        k = np.flatnonzero(accepted & (g.since == j))
        if len(k):
            misses[j] = _put(missed, k, guessing.missed(take(guess, k), take(state, k)))
            g.lasted[j, k] = step.duration[k]
    g.missed = tuple(misses)


def _bend(step: Step, state: State) -> Array:
    """How far a step's end is off the straight line through its start and first stage, the bed's mean, (B,)."""
    V, w = step.dryer.shells.volume[:, None], dr.point_weights(step.dryer.z)
    X, T = (V * state.chain).sum(axis=1), state.points[:, db.TP]
    bend = np.abs(_off_line(step.start_moisture, X)) / MOISTURE_SCALE
    bend += np.abs(_off_line(db.start_temperature(step), T)) / TEMPERATURE_SCALE
    return np.asarray((w * bend).sum(axis=0))


def _off_line(start: Array, f: Array) -> Array:
    return f[:, 1] - start - (f[:, 0] - start) / RADAU_POINTS[0]


def _record(step: Step, state: State, g: _Going, accepted: NDArray[np.bool_], time: Array) -> Record:
    laws, supply = step.dryer.laws, step.dryer.supply
    Ta, Y = state.points[-2:, db.TA], state.points[-2:, db.HUMIDITY]
    out = db.leaving(np.stack([Y, laws.air_enthalpy(Ta, Y)], axis=1))
    blown = dr.blown_in(supply, laws, *out)
    back = g.above
    points = state.points
    mean = (step.dryer.shells.volume * state.chain[:, :, 1]).sum(axis=1)
    if back.any():
        points = np.where(back, points[::-1], points)
        mean = np.where(back, mean[::-1], mean)
    heat = over_step(blown.enthalpy - blown.mixed_enthalpy)
    whole = Record(g.index, time, step.duration, back, points, mean, state.inlet, out, heat)
    return whole if accepted.all() else take(whole, np.flatnonzero(accepted))


def _go_on(
    g: _Going,
    step: Step,
    state: State,
    accepted: NDArray[np.bool_],
    stop: Array,
    bent: Array,
    most: Array,
) -> None:
    """Take the steps that were accepted, and choose the next ones."""
    left = stop - g.time
    if accepted.all():
        g.pellets, g.state = db.pellets_after(step, state), state
    else:
        g.pellets = _put(g.pellets, accepted, take(db.pellets_after(step, state), accepted))
        g.state = state if g.state is None else _put(g.state, accepted, take(state, accepted))
    arrived = accepted & (step.duration >= left)
    g.time = np.where(arrived, stop, np.where(accepted, g.time + step.duration, g.time))
    g.last = np.where(accepted, step.duration, g.last)
    growth = np.clip(1 / np.sqrt(np.maximum(bent, 1e-6)), SLOWEST_GROWTH, FASTEST_GROWTH)
    growth = np.where(
        accepted, growth, np.minimum(growth, SHORTER)
    )  # else the last step would come again as it was
    measured = np.isfinite(bent) & (accepted | (bent >= most))
    g.next = np.where(measured, growth, CUT) * step.duration
    g.fresh = g.fresh & ~accepted
    g.since = g.since + accepted


def _leave(g: _Going, staying: NDArray[np.bool_]) -> None:
    index = np.flatnonzero(staying)
    for f in dataclasses.fields(g):
        if f.name != "state" or g.state is not None:
            setattr(g, f.name, take(getattr(g, f.name), index))


def _reverse(g: _Going, every: Array) -> None:
    due = g.time >= (g.turns + 1) * every[g.index]
    if not due.any():
        return
    g.dryer, g.pellets = _seen_from(g.dryer, g.pellets, due)
    g.above = g.above ^ due
    g.turns = g.turns + due
    g.since = np.where(due, 0, g.since)
    g.fresh = g.fresh | due
    g.next = np.where(due & np.isfinite(g.next), first_step(g.dryer, OTHER_AIR), g.next)


def _seen_from(dryer: Dryer, pellets: Pellets, other_side: NDArray[np.bool_]) -> tuple[Dryer, Pellets]:
    """Bed and pellets in the order of an air that, for some cases, comes from the other side."""
    if not other_side.any():
        return dryer, pellets
    z, X, H = dryer.z, pellets.moisture, pellets.enthalpy
    return dataclasses.replace(dryer, z=np.where(other_side, 1 - z[::-1], z)), Pellets(
        np.where(other_side, X[::-1], X), np.where(other_side, H[::-1], H)
    )
