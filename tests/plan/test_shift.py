"""A shift of a line: by hand, against [schedule], and against a line played through event by event."""

from __future__ import annotations

import random

import numpy as np
import pytest
from plan.event_simulation import played

from coolsim.simulate import schedule
from coolsim.simulate.capacities import Step
from coolsim.studies.planning import flow
from coolsim.studies.planning.flow import Clock, Curve
from coolsim.studies.planning.shift import passed

H = 3600.0


def random_line(rng, dryers=False):
    steps, enters = [], 1.0
    for k in range(rng.randint(2, 5)):
        leaves = enters * rng.choice((1.0, 1.0, 0.995, 0.88, 1.06))
        common = {"enters": enters, "leaves": leaves}
        scale = rng.uniform(0.8, 2.0) * enters
        if rng.random() < 0.5:
            batch, cycle = rng.uniform(15, 250), rng.uniform(240, 2400)
            count = max(1, round(scale * 0.1 * cycle / batch))
            of = {"count": float(count), "emptying": rng.choice((0.0, 60.0, 180.0))}
            of["filling"] = rng.choice((0.0, 0.0, 120.0)) if k else 0.0
            of["goes_on"] = bool(k) and dryers and rng.random() < 0.7
            steps.append(Step(f"s{k}", batch=batch, cycle=cycle + 300, **of, **common))
        else:
            rate = None if rng.random() < 0.15 and k else scale * 0.1
            steps.append(Step(f"s{k}", rate=rate, delay=rng.choice((0.0, 0.0, 600.0)), **common))
        enters = leaves * rng.choice((1.0, 1.0, 1.04))
    if all(s.capacity is None for s in steps):
        return random_line(rng, dryers)
    able = min(s.capacity / s.enters for s in steps if s.capacity is not None)
    hours = rng.uniform(3, 10) * H
    begin = rng.uniform(0.2, 0.5) * hours
    breaks = ((begin, rng.uniform(300, 2400)),)
    if rng.random() < 0.4:
        breaks += ((begin + 2700, rng.uniform(300, 1500)),)
    return steps, able * rng.choice((1.0, 1.0, rng.uniform(0.5, 1.0))), hours, rng.choice((breaks, ()))


@pytest.mark.parametrize("dryers", [False, True])
@pytest.mark.parametrize("seed", range(200))
def test_kilograms_bagged_agree_with_a_line_played_through(seed, dryers):
    """dryers: some steps go on with their batch while people are away."""
    steps, pace, hours, breaks = random_line(random.Random(seed), dryers)
    clock = Clock(hours, breaks)
    each = passed(steps, pace, clock)
    bagged = each[-1].left_by(clock.work) * steps[-1].leaves / steps[-1].enters
    by_events, machines = played(steps, pace, hours, breaks)
    batches = [s.batch / s.enters * steps[-1].leaves for s in steps if s.batch]
    small = pace * steps[0].enters * hours / 1000
    assert bagged == pytest.approx(by_events, abs=max([*batches, small]) * 1.001 + small)
    # no mass is made: what has come by at each step is no more than before it
    for p in each:
        assert p.taken_by(clock.work) <= float(p.arrives.at(clock.work)) * (1 + 1e-9) + 1e-9
        assert p.left_by(clock.work) <= p.taken_by(clock.work) * (1 + 1e-9) + 1e-9
    for p, m in zip(each, machines):
        if p.step.batch is not None:
            assert abs(p.done(clock.work) - m.finished) <= 1 + round(p.step.count)


def test_by_hand_a_mixer_and_a_press():
    """40 kg every 12 min; the press takes 300 kg/h: 8 min a batch. In 2 h: mixes end at 12, 24 … 120 min.

    Ten batches mixed; the last has just come. Nine pressed whole (the ninth, at 108 min, by 116): 360 kg. A batch
    waits at most while it is pressed, 8 min, and 40 kg of it.
    """
    steps = [Step("mixer", batch=40.0, cycle=720.0), Step("press", rate=300 / H)]
    clock = Clock(2 * H)
    mixer, press = passed(steps, 200 / H, clock)
    assert mixer.done(clock.work) == 10
    assert press.left_by(clock.work) == pytest.approx(360.0, abs=1e-6)
    assert (press.waits, press.heap) == (pytest.approx(480.0, rel=1e-5), pytest.approx(40.0))


def test_by_hand_a_break_keeps_it_waiting():
    """The same with a break from 30 to 60 min: what is pressed by 32 min of work ends 30 min later."""
    steps = [Step("mixer", batch=40.0, cycle=720.0), Step("press", rate=300 / H)]
    clock = Clock(2 * H, ((1800.0, 1800.0),))
    assert clock.work == 1.5 * H
    mixer, press = passed(steps, 200 / H, clock)
    assert mixer.done(clock.work) == 7  # by 84 min of 90
    assert press.left_by(clock.work) == pytest.approx(270.0, abs=1e-6)  # six, and 6 min of the seventh: 30 kg
    assert press.waits == pytest.approx(480.0 + 1800.0, rel=1e-4)


def test_by_hand_a_first_fill_and_an_unfinished_batch():
    """A dryer of 100 kg, 50 min, fed 120 kg/h: full at 50, 100, 150 min; emptied at 100, 150 (200) of 180 min."""
    steps = [Step("press", rate=120 / H), Step("dryer", batch=100.0, cycle=3000.0, leaves=0.9)]
    clock = Clock(3 * H)
    _, dryer = passed(steps, 120 / H, clock)
    assert list(dryer.begin) == pytest.approx([3000.0, 6000.0, 9000.0], rel=1e-9)
    assert dryer.done(clock.work) == 2 and dryer.left_by(clock.work) == pytest.approx(200.0)
    assert dryer.waits == pytest.approx(3000.0, rel=1e-3)  # the first to come waits until the batch is whole


@pytest.mark.parametrize("goes_on", [True, False])
def test_by_hand_a_batch_goes_on_drying_in_a_break(goes_on):
    """A dryer of 100 kg, filled as it comes in 10 min, 30 min of drying, 10 of emptying; 200 kg/h; 2 h of work."""
    steps = [
        Step("press", rate=200 / H),
        Step("dryer", batch=100.0, cycle=50 * 60.0, filling=600.0, emptying=600.0, goes_on=goes_on),
    ]
    clock = Clock(2 * H + 45 * 60.0, ((30 * 60.0, 45 * 60.0),))
    _, dryer = passed(steps, 200 / H, clock)
    assert dryer.begin[0] == pytest.approx(20 * 60.0)  # 100 kg by 30 min, filled in the last ten of them
    # 30 min of work, then 45 of break in which it dries and is done: ten minutes after they return it is empty
    first = 40.0 if goes_on else 70.0
    assert dryer.end[0] == pytest.approx(first * 60.0)
    assert float(clock.by_clock(dryer.end[0])) == pytest.approx((first + 45.0) * 60.0)


def test_by_hand_what_never_makes_a_batch_waits_all_shift():
    """100 kg/h before a mixer of 5 t: after 3 h 300 kg wait, the first for them and half an hour of break."""
    steps = [Step("mill", rate=400 / H), Step("mixer", batch=5000.0, cycle=3600.0)]
    mixer = passed(steps, 100 / H, Clock(3.5 * H, ((H, H / 2),)))[1]
    assert mixer.heap == pytest.approx(300.0) and mixer.done(3 * H) == 0
    assert mixer.waits == pytest.approx(3.5 * H, rel=1e-6)


@pytest.mark.parametrize("filling, emptying, count", [(300.0, 120.0, 1), (0.0, 0.0, 1), (900.0, 300.0, 3)])
def test_buffers_are_those_of_a_schedule(filling, emptying, count):
    """In the long run the heaps before and behind batch dryers are those of coolsim.simulate.schedule."""
    batch, cycle = 250.0, 3000.0
    rate = count * batch / cycle * 0.97
    step = Step("dryer", batch=batch, cycle=cycle, count=count, filling=filling, emptying=emptying)
    dryer = passed([Step("press", rate=1.0), step], rate, Clock(24 * H))[1]
    expected = schedule.heap(batch, batch / rate, filling)
    assert dryer.heap == pytest.approx(expected, rel=2e-3)
    assert np.diff(dryer.begin) == pytest.approx(batch / rate, rel=1e-9)


def test_limited_is_the_least_of_all_lines():
    """D(t) = min over s of A(s) + r (t − s), by brute force on a fine grid."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        time = np.sort(rng.uniform(0, 100, 12)).repeat(rng.integers(1, 3, 12))
        mass = np.cumsum(rng.uniform(0, 5, len(time)))
        arrives = Curve(np.append(0.0, time), np.append(0.0, mass))
        taken = flow.limited(arrives, 0.4)
        s = np.linspace(0, 100, 20001)
        ahead = arrives.before(s)
        for t in (10.0, 35.0, 77.0, 100.0):
            line = ahead[s <= t] + 0.4 * (t - s[s <= t])
            expected = min(float(line.min()), float(arrives.at(t)))
            assert float(taken.at(t)) == pytest.approx(expected, abs=0.01)
