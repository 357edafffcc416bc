"""How the tests are shared out: the longest files begin first, so that no worker is left with one at the end."""

from __future__ import annotations

from pathlib import Path

import pytest

TESTS = Path(__file__).parent
# By what they took on two cores; a file that is missing here begins after these.
LONGEST = (
    *("explore/test_map.py", "notebooks/test_notebooks.py", "browser/test_report_page.py"),
    *("studies/test_dryer_seasons.py", "cli/test_signals.py", "readers/test_fuzz.py", "output/test_plots.py"),
    *("studies/test_sure_dryers.py", "cli/test_documents.py", "studies/test_dryer_curve.py"),
    *("studies/test_line_fit.py", "studies/test_dryer_fit.py", "studies/test_typed_back.py"),
    *("studies/test_dryer_size.py", "browser/test_explore_page.py", "studies/test_line_settings.py"),
    *("cli/test_streams.py", "studies/test_settings_search.py", "studies/test_sizing.py"),
    *("cli/test_first_instants.py", "laws/test_many.py", "studies/test_sizes_as_printed.py"),
    *("plan/test_questions_agree.py", "studies/test_surely.py", "studies/test_seasons.py"),
    *("output/test_report.py", "cli/test_dryer_seasons.py", "studies/test_dryer_settings.py"),
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest files first, each with its tests in their order."""
    place = {TESTS / name: k for k, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))
