"""No bed is chosen that is quicker or shallower than practice and its unevenness allow; what that costs is told."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import pytest
from shipped import level

import coolsim
from coolsim.case.tables import Limits
from coolsim.machines import machine_of
from coolsim.output import sizes as printed
from coolsim.output.page import Page
from coolsim.simulate.least_bed import depths_to_choose, least_depth, least_time, without_least_bed
from coolsim.simulate.requirements import constraints_of
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.sizing import find as sizes
from coolsim.studies.sizing.answer import WithoutLeastBed

PLATEAU = level("cold-dry-plateau")  # its range begins at 6 min
QUICK = coolsim.replace(PLATEAU, {"limits.residence_time": ["6 min", "20 min"]})
BATCH = level("evening-batch")
BELT = level("belt-four-zones")
LINE = level("dryer-then-cooler")
BUY = level("cooler-to-buy")


def limited(**limits: float):
    return dataclasses.replace(PLATEAU, limits=Limits(**limits))


def uneven(length: float):
    return dataclasses.replace(
        PLATEAU,
        limits=Limits(),
        cooler=dataclasses.replace(PLATEAU.cooler, depth_deviation=None, depth_deviation_length=length),
    )


def test_a_range_of_depths_by_hand():
    """0.001 m/s: 8 min are 0.48 m. A deviation of 5 cm asks for 25 cm, and 12.5 to be computed."""
    assert depths_to_choose(limited(), (0.2, 0.9), 0.001) == (0.48, 0.9)
    assert depths_to_choose(limited(), (0.6, 0.9), 0.001) == (0.6, 0.9)
    assert depths_to_choose(limited(), (0.2, 0.4), 0.001) == (0.4, 0.4)  # nothing deeper was allowed
    assert depths_to_choose(limited(minimum_residence_time=60.0), (0.2, 0.9), 0.001) == (0.2, 0.9)
    assert depths_to_choose(uneven(0.05), (0.1, 0.9)) == pytest.approx((0.25, 0.9))
    assert depths_to_choose(uneven(0.05), (0.05, 0.1)) == pytest.approx((0.125, 0.125))
    flat = dataclasses.replace(uneven(0.05), limits=Limits(minimum_depth_in_deviations=8.0))
    assert depths_to_choose(flat, (0.1, 0.9)) == pytest.approx((0.4, 0.9))
    free = without_least_bed(uneven(0.05))
    assert depths_to_choose(free, (0.1, 0.9), 0.001) == pytest.approx((0.125, 0.9))


def test_the_defaults_are_of_what_is_chosen_and_judge_nothing_that_is_there():
    assert least_time(limited()) == 480.0 and least_time(BELT) == 480.0
    assert least_time(BATCH) == 0.0  # lies until it is dry
    assert least_depth(uneven(0.04)) == pytest.approx(0.2) and least_depth(limited()) == 0.0
    hasty = coolsim.replace(QUICK, {"cooler.residence_time": "4 min"})
    names = {c.quantity.name for c in constraints_of(hasty)}
    assert not names & {"residence_time", "bed_depth"}
    assert {v.constraint.quantity.name for v in verdicts_of(hasty, coolsim.predict(hasty))} <= names


def test_ends_that_nobody_typed_are_steps_of_the_dial():
    """8 min of 6 t/h on 3.6 m² at 640 kg/m³ are 0.3472 m: 35 cm is the first step of a dial of depths."""
    by_depth = coolsim.replace(PLATEAU, {"limits.bed_depth": ["0.2 m", "0.9 m"]})
    (bed,) = [s for s in machine_of(by_depth).settings if s.key == "bed_depth"]
    assert (bed.low, bed.high) == pytest.approx((0.35, 0.9))
    typed = coolsim.replace(by_depth, {"limits.bed_depth": ["0.361 m", "0.9 m"]})
    (bed,) = [s for s in machine_of(typed).settings if s.key == "bed_depth"]
    assert bed.low == 0.361


def test_settings_stand_at_the_least_time_and_tell_what_it_costs():
    answer, free = coolsim.find_settings(QUICK), coolsim.find_settings(without_least_bed(QUICK))
    assert answer.met and answer.settings.residence_time == pytest.approx(480.0, abs=0.5)
    assert (
        free.met and free.settings.residence_time == pytest.approx(360.0, abs=0.5) and free.least_bed is None
    )
    least = answer.least_bed
    assert least is not None and least.kept_without
    assert (
        least.cost_per_hour == pytest.approx(answer.exact_cost - free.exact_cost, rel=1e-6)
        and least.cost_per_hour > 0
    )
    (at,) = least.chosen
    assert (at.setting.key, at.now) == ("residence_time", 480.0) and at.to == pytest.approx(360.0, abs=0.5)


def test_a_bed_that_is_uneven_by_a_length_is_no_shallower_than_five_times_that():
    case = coolsim.replace(
        PLATEAU, {"limits.bed_depth": ["0.2 m", "0.9 m"], "cooler.depth_deviation": "8 cm"}
    )
    answer = coolsim.find_settings(case)
    assert answer.settings.bed_depth >= 0.4 - 1e-9
    looser = coolsim.find_settings(coolsim.replace(case, {"limits.minimum_depth_in_deviations": 2}))
    assert looser.settings.bed_depth < 0.4


def test_a_line_keeps_the_least_time_of_each_of_its_machines():
    case = coolsim.replace(LINE, {"stage.1.limits.minimum_residence_time": "25 min"})
    beds = {s.key: s for s in machine_of(case).settings}
    slow = 1900 / 3600 / (case.feed.bulk_density * 2)  # m/s of a belt at a metre of depth
    assert 8.0 / beds["1.belt_speed"].high >= 25 * 60 - 1e-6  # 8 m of belt
    assert beds["1.belt_speed"].low == pytest.approx(slow / 0.14)


def test_a_batch_lies_no_shorter_than_is_typed():
    """30 min in all, of which 5 cool it: 25 of drying."""
    case = coolsim.replace(BATCH, {"limits.minimum_residence_time": "30 min"})
    (time,) = [s for s in machine_of(case).settings if s.key == "duration"]
    assert (time.low, time.high) == (25 * 60, 45 * 60)
    (free,) = [s for s in machine_of(BATCH).settings if s.key == "duration"]
    assert free.low == 15 * 60


@pytest.mark.thorough
def test_a_size_keeps_the_least_time_and_tells_what_it_costs():
    answer = coolsim.size(BUY)
    assert answer.met and all(s.settings.residence_time >= 480.0 - 0.5 for s in answer.served)
    free = coolsim.size(coolsim.replace(BUY, {"limits.minimum_residence_time": "0 s"}))
    assert min(s.settings.residence_time for s in free.served) < 470 and free.without_least_bed is None
    told = answer.without_least_bed
    # before it is a round number, and by fewer floors
    assert told is not None and told.floor_area is not None
    costs = [s.exact_cost_per_tonne for s in free.served]
    assert told.floor_area == pytest.approx(free.floor_area, rel=0.03)
    assert told.cost_per_tonne == pytest.approx(sum(costs) / len(costs), rel=0.003)
    words = " ".join(printed.sized(BUY, answer, Page()).split())
    assert ("Without: the same floor" in words) == (
        told.floor_area == pytest.approx(answer.floor_area, rel=0.02)
    )
    assert f"{100 * told.bed_depth:.1f} cm of bed (in place of {100 * answer.bed_depth:.1f} cm)" in words


def test_the_best_without_it_is_found_beside_as_by_a_search_of_its_own():
    """One search weighs both; a scenario without a least bed is the outside measure."""
    free = coolsim.replace(QUICK, {"limits.minimum_residence_time": "0 s"})
    answer, alone = (coolsim.find_settings(one, on_dial=False) for one in (QUICK, free))
    told = answer.least_bed
    assert told is not None and told.kept_without and alone.met and alone.least_bed is None
    cost = answer.cost.total - alone.cost.total
    assert told.cost_per_hour == pytest.approx(cost, abs=2e-3 * alone.cost.total)
    (time,) = (c.to for c in told.chosen)
    assert time < 480.0 and time == pytest.approx(alone.settings.residence_time, rel=0.02)


def test_what_is_told_of_the_least_bed_is_told_of_settings_before_the_dial():
    """On a monsoon night the exact bed is the least, 28 cm, but the dial stands steps above: both are printed."""
    night = coolsim.load(Path(__file__).parents[2] / "scenarios" / "monsoon-night.toml")
    answer = coolsim.find_settings(night)
    words, told = " ".join(answer.summary().split()), answer.least_bed
    assert told is not None
    (least,) = told.chosen
    (dialled,) = (c.to for c in answer.chosen if c.setting.key == least.setting.key)
    assert dialled - least.now > least.setting.step
    assert (
        f"The least bed (depth of the bed {100 * least.now:.1f} cm, before the steps of the dials) costs"
        in words
    )


@pytest.mark.parametrize(
    ("floor", "cost", "saves"), [(2.0, 6.6, False), (1.9, 6.6, True), (1.97, 5.9, True), (1.97, 7.29, False)]
)
def test_a_bed_without_the_least_that_is_no_better_is_not_told(floor, cost, saves):
    """Two searches end a little apart; whatever keeps a least bed would do without it, too."""
    answer = SimpleNamespace(
        floor_area=2.0, mean_cost_per_tonne=6.0, is_as_large=lambda area: abs(area - 2) < 0.04
    )
    assert sizes._saves(WithoutLeastBed(floor, 0.3, cost), answer) == saves
