"""A browser, and the page of a rough map in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser.browsers import QUICK, opened
from shipped import level

from coolsim.output.explorer.document import document
from coolsim.studies.maps.outcome_map import Chart, charted


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    window = opened(tmp_path_factory.mktemp("profile"))
    yield window
    window.quit()


@pytest.fixture(scope="module")
def rough() -> Chart:
    return charted(level("humid-delta"), effort=QUICK)


@pytest.fixture(scope="module")
def page(rough: Chart, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("explore") / "page.html"
    file.write_text(document(rough, "0.0", "si", "mill.toml"), encoding="utf-8")
    return file
