"""A real browser without a window, for tests of pages: Debian's chromium and chromium-driver."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import axe_core_python
import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from coolsim.studies.maps.outcome_map import Effort

AXE = Path(axe_core_python.__file__).with_name("axe.min.js")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def opened(profile: Path) -> Any:
    """A browser; skips the test where there is none, unless COOLSIM_BROWSER is "required"."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        missing = "no chromium and chromedriver: apt-get install chromium chromium-driver"
        if os.environ.get("COOLSIM_BROWSER") == "required":
            pytest.fail(missing)
        pytest.skip(missing)
    options = Options()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    return webdriver.Chrome(options=options, service=Service(driver))


def show(browser: Any, file: Path, width: int) -> None:
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(file.as_uri())


def faults_of_axe(browser: Any) -> tuple[list[Any], int]:
    """What axe-core finds against WCAG 2 A and AA, and how many contrasts it measured."""
    browser.execute_script(AXE.read_text(encoding="utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa']}).then(done, e => done({error: String(e)}))"
    )
    assert "error" not in found, found
    faults = [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found["violations"]]
    return faults, len(
        [n for rule in found["passes"] if rule["id"] == "color-contrast" for n in rule["nodes"]]
    )


QUICK = Effort((400,), (20,), 20, 60, 1.0, 100.0, 1.0)  # a rough map in half a second


def answered(browser: Any, values: np.ndarray) -> list[dict[str, float]]:
    """What the page computes at values (axes, N)."""
    found: list[dict[str, float]] = browser.execute_script(
        "return arguments[0].map((values) => outcomes(values))", values.T.tolist()
    )
    return found
