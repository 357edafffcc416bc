"""Years of many sites on their way out: each is printed and written as it finishes, so that Ctrl-C keeps it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing, nullcontext
from dataclasses import dataclass, field
from importlib.metadata import version

from coolsim.case.case import Case
from coolsim.output import year_files
from coolsim.output import years as printed
from coolsim.output.page import Page
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.years import Seasons, seasons_of
from coolsim.studies.years.study import why_no_chart
from coolsim.support.errors import Fault, InputError
from coolsim.support.files import STANDARD_OUTPUT, Growing, Output, encoded
from coolsim.support.progress import heard, in_steps


@dataclass
class Files:
    """Where things are written: each file grows by a site at a time, and is whole after each."""

    json: str | None
    csv: str | None
    chart: str | None
    dryers: bool = False  # whether dryers are among the sites: files then have their columns, too
    dials: dict[str, str] = field(
        default_factory=dict
    )  # columns of settings that have none of their own, by key
    growing: dict[str, Growing] = field(default_factory=dict)

    def asked(self) -> list[Output]:
        """Return the files that are asked for, to be checked before anything is computed."""
        targets = {"--json": self.json, "--csv": self.csv, "--chart": self.chart}
        to_screen = {"--json"} if self.json == STANDARD_OUTPUT else set()
        return [
            Output(option, t) for option, t in targets.items() if t is not None and option not in to_screen
        ]

    def add(self, seasons: Seasons, scenario: str, say: Callable[[str | bytes], object]) -> None:
        """Write a site that has finished to all files."""
        document = year_files.document(seasons, scenario, version("coolsim"))
        if self.json == STANDARD_OUTPUT:
            say(encoded(year_files.line(document)))
        elif self.json is not None:
            self._append(self.json, "--json", "", year_files.line(document))
        if self.csv is not None:
            columns = year_files.HOURLY + year_files.HOURLY_OF_DRYERS * self.dryers
            rows = year_files.hourly(seasons, scenario, self.dryers)
            self._append(self.csv, "--csv", year_files.heading(columns), rows)
        if self.chart is None:
            return
        if self.chart.lower().endswith((".json", ".jsonl")):
            self._append(self.chart, "--chart", "", year_files.charts(document))
        else:
            columns = year_files.CHART + year_files.CHART_OF_DRYERS * self.dryers
            rows = year_files.chart_rows(seasons, scenario, self.dryers, self.dials)
            self._append(self.chart, "--chart", year_files.heading((*columns, *self.dials.values())), rows)

    def close(self) -> None:
        """Leave the files as they are."""
        for growing in self.growing.values():
            growing.close()

    def _append(self, target: str, option: str, heading: str, text: str) -> None:
        if option not in self.growing:
            self.growing[option] = Growing(target, option)
            text = heading + text
        self.growing[option].add(text)


def run(
    asked: Sequence[tuple[str, Case]],
    out: Files,
    page: Page,
    say: Callable[[str | bytes], bool],
    *,
    direct: bool,
    jobs: int,
    resume: str | None,
    uncertainty: bool = False,
) -> None:
    """Run scenarios (name, case); raises InputError with all faults before anything is computed.

    say: prints, and returns whether anybody listens. Where nobody does and nothing is written, nothing more is run.
    """
    import joblib

    faults = [fault for _, case in asked for fault in _no_chart(case)] if out.chart else []
    if faults:
        raise InputError(faults)
    cases = [case for _, case in asked]
    out.dryers, out.dials = any(map(is_dryer, cases)), year_files.dials_of(cases)
    with (
        joblib.parallel_config(n_jobs=jobs),
        heard(begins="reading the weather"),
        in_steps(len(cases)) if len(cases) > 1 else nullcontext(lambda what: None) as step,
        closing(out),
        closing(seasons_of(cases, direct=direct, resume=resume, uncertainty=uncertainty)) as answers,
    ):
        step("sites")
        for k, seasons in answers:
            step("sites")
            out.add(seasons, asked[k][0], say)
            if out.json != STANDARD_OUTPUT:
                say(printed.year(seasons, page) + ("\n" if len(cases) > 1 else ""))
            if not say("") and resume is None and not out.asked():
                return


def _no_chart(case: Case) -> list[Fault]:
    why = why_no_chart(case)
    where = getattr(case.source, "where", lambda key: "")
    return [Fault(where("limits"), "--chart", "a scenario without settings to choose", why)] if why else []
