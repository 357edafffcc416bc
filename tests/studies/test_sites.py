"""Many sites: what is finished is kept, what is the same is not run again, and a cluster can carry it."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import joblib
import numpy as np
import pytest
from shipped import level_text

import coolsim
from coolsim.case.case import Case, Limits
from coolsim.studies.years import Strategy, finished_sites, seasons_of, sites
from coolsim.support.errors import InputError

ROOT = Path(__file__).parents[2]


def site(folder: Path, name: str, temperature: float) -> Case:
    """A line with a day of weather, and nothing to choose."""
    rows = [f"2023-07-01T{h:02d}:00,{temperature + 3 * np.sin(h / 4):.1f},70" for h in range(24)]
    (folder / f"{name}.csv").write_text("\n".join(["time,temperature,relative_humidity", *rows]))
    text = level_text("humid-delta")
    text += (
        f'\n[weather]\nfile = "{name}.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
    )
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    case = coolsim.load(path)
    return dataclasses.replace(case, limits=Limits())


@pytest.fixture
def cases(tmp_path: Path) -> list[Case]:
    return [site(tmp_path, "cool", 18.0), site(tmp_path, "warm", 33.0)]


def moistures(strategies: tuple[Strategy, ...]) -> np.ndarray:
    return strategies[0].hours.outcome.moisture


def test_many_give_what_each_gives_alone(cases: list[Case]) -> None:
    for k, answer in seasons_of(cases):
        alone = coolsim.seasons(cases[k])
        np.testing.assert_array_equal(moistures(answer.strategies), moistures(alone.strategies))
        assert answer.case is cases[k]


def test_a_rerun_takes_what_is_finished(
    cases: list[Case], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ran: list[str] = []
    real = sites.strategies_of

    def counted(case: Case, *rest: object) -> tuple[Strategy, ...]:
        if len(ran) == 1:
            ran.append("stopped")
            raise KeyboardInterrupt
        ran.append("ran")
        return real(case, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(sites, "strategies_of", counted)
    kept = tmp_path / "kept"
    done = []
    with pytest.raises(KeyboardInterrupt):
        for k, answer in seasons_of(cases, resume=kept):
            done.append((k, answer))
    assert [k for k, _ in done] == [0] and ran == ["ran", "stopped"]
    again = dict(seasons_of(cases, resume=kept))
    assert ran == ["ran", "stopped", "ran"]  # only the one that was stopped
    np.testing.assert_array_equal(moistures(again[0].strategies), moistures(done[0][1].strategies))
    titled = [dataclasses.replace(case, title="another title") for case in cases]
    assert len(list(seasons_of(titled, resume=kept))) == 2 and len(ran) == 3
    moister = [dataclasses.replace(c, feed=dataclasses.replace(c.feed, moisture=0.145)) for c in cases]
    changed = dict(seasons_of(moister, resume=kept))
    assert len(ran) == 5 and (moistures(changed[0].strategies) > moistures(again[0].strategies)).all()
    weather = tmp_path / "cool.csv"
    weather.write_text(weather.read_text().replace(",70", ",90"))
    wetter = dict(seasons_of(cases, resume=kept))
    assert len(ran) == 6 and (moistures(wetter[0].strategies) > moistures(again[0].strategies)).all()
    monkeypatch.setattr(finished_sites, "code", lambda: "of other code")
    list(seasons_of(cases[:1], resume=kept))
    assert len(ran) == 7


def test_faults_of_all_sites_at_once(cases: list[Case], tmp_path: Path) -> None:
    for name in ("cool", "warm"):
        (tmp_path / f"{name}.csv").write_text("")
    with pytest.raises(InputError) as caught:
        next(seasons_of(cases))
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError):
        next(seasons_of([]))


def test_other_processes(cases: list[Case]) -> None:
    with joblib.parallel_config(backend="loky", n_jobs=2):
        answers = dict(seasons_of(cases))
    assert sorted(answers) == [0, 1]
    np.testing.assert_array_equal(
        moistures(answers[1].strategies), moistures(coolsim.seasons(cases[1]).strategies)
    )


def test_whoever_has_seen_enough_hears_no_more(cases: list[Case]) -> None:
    """Joblib warns of tasks that are not waited for; warnings are errors here."""
    with joblib.parallel_config(backend="loky", n_jobs=2):
        answers = seasons_of([cases[0], *[cases[1]] * 5])
        next(answers)
        answers.close()


@pytest.mark.filterwarnings("ignore")  # of dask itself
def test_a_local_dask_cluster(cases: list[Case]) -> None:
    import distributed

    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        answers = dict(seasons_of(cases))
    np.testing.assert_array_equal(
        moistures(answers[1].strategies), moistures(coolsim.seasons(cases[1]).strategies)
    )
