"""Long questions of a report in processes of their own: answers, faults and an early end come through."""

import multiprocessing
import time

import pytest

import coolsim
from coolsim.errors import Fault, InputError
from coolsim.workers import beside


def refuse(case: str) -> None:
    raise InputError([Fault("line 3", case, "140 %", "0 to 60 %")])


def test_an_answer_comes_from_another_process() -> None:
    with beside() as start:
        wait = start(pid, "asked")
        assert wait() not in ("asked", f"asked {multiprocessing.current_process().pid}")


def pid(case: str) -> str:
    return f"{case} {multiprocessing.current_process().pid}"


def test_a_fault_is_raised_here_as_it_is_there() -> None:
    with pytest.raises(InputError) as wrong, beside() as start:
        start(refuse, "feed.moisture")()
    assert wrong.value.faults == [Fault("line 3", "feed.moisture", "140 %", "0 to 60 %")]


@pytest.mark.parametrize("stopped", [KeyboardInterrupt, coolsim.NotConverged])
def test_whoever_leaves_early_stops_the_others(stopped: type[BaseException]) -> None:
    begun, other = (
        time.perf_counter(),
        multiprocessing.get_context("spawn").Process(target=time.sleep, args=(60,)),
    )
    other.start()
    before = multiprocessing.active_children()
    with pytest.raises(stopped), beside() as start:
        start(time.sleep, 60)
        raise stopped("now")
    assert time.perf_counter() - begun < 20
    assert {*multiprocessing.active_children()} <= {*before} and other.is_alive()  # which is not ours to stop
    other.terminate()
    other.join()
