"""The page of `coolsim explore` in a real browser: sliders are moved, and what it says is held against `predict`.

A rough map serves what is only about the page; what it computes from a map is compared with Python's own reading of
the same map, and, of a full map, with predictions.
"""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser.browsers import answered, faults_of_axe, show
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

import coolsim
from coolsim.machines import machine_of
from coolsim.output.explorer.document import document
from coolsim.studies.maps.axes import case_at
from coolsim.studies.maps.outcome_map import Chart

SCENARIOS = Path(__file__).parents[2] / "scenarios"


WIDTHS = (360, 1280)


def test_us_units(browser: Any, rough: Chart, tmp_path: Path) -> None:
    """By hand: 31 °C are 87.8 °F; a short ton is 0.90718 t, so that is the share of the price of a tonne."""
    file = tmp_path / "page.html"
    file.write_text(document(rough, "0.0", "us", "mill.toml"), encoding="utf-8")
    si = tmp_path / "si.html"
    si.write_text(document(rough, "0.0", "si", "mill.toml"), encoding="utf-8")
    show(browser, si, 1280)
    per_tonne = browser.execute_script("return data.costs.map((c) => c.price)")
    show(browser, file, 1280)
    assert browser.find_element(By.ID, "axis-1-typed").get_attribute("value") == "87.8"
    assert "per short ton" in browser.find_element(By.ID, "verdict").text
    assert browser.execute_script("return data.costs.map((c) => c.price)") == pytest.approx(
        [0.90718474 * price for price in per_tonne]
    )


def test_what_is_outside_the_map_is_refused(browser: Any, page: Path) -> None:
    show(browser, page, 1280)
    before = browser.execute_script("return here")
    box = browser.find_element(By.ID, "axis-0-typed")
    box.send_keys(Keys.CONTROL + "a")
    box.send_keys("25" + Keys.ENTER)
    refused = browser.find_element(By.ID, "refused").text
    assert "outside this map" in refused and "12.5 to 15.5 %" in refused
    assert browser.execute_script("return here") == before
    box.send_keys(Keys.CONTROL + "a")
    box.send_keys("12.4" + Keys.ENTER)
    assert "12.4 % is outside this map" in browser.find_element(By.ID, "refused").text
    box.send_keys(Keys.CONTROL + "a")
    box.send_keys("wet" + Keys.ENTER)
    assert "is no number" in browser.find_element(By.ID, "refused").text
    assert browser.execute_script("return here") == before


def test_settings_stand_on_their_dials(browser: Any, page: Path, rough: Chart) -> None:
    """An airflow of 1234 m³/h is between steps of 10 m³/h: 1230 is taken, and said."""
    show(browser, page, 1280)
    k = [axis.key for axis in rough.axes].index("airflow")
    box = browser.find_element(By.ID, f"axis-{k}-typed")
    box.send_keys(Keys.CONTROL + "a")
    box.send_keys("1234" + Keys.ENTER)
    assert 3600 * browser.execute_script(f"return here[{k}]") == pytest.approx(1230)
    assert "the dial has no 1234" in browser.find_element(By.ID, "refused").text


def test_undo_goes_back_step_by_step(browser: Any, page: Path) -> None:
    show(browser, page, 1280)
    undo, start = browser.find_element(By.ID, "undo"), browser.execute_script("return here")
    assert not undo.is_enabled()
    for k in (0, 1):
        browser.find_element(By.ID, f"axis-{k}").send_keys(Keys.ARROW_RIGHT)
    after = browser.execute_script("return here")
    undo.click()
    assert browser.execute_script("return here") == [after[0], *start[1:]]
    undo.click()
    assert browser.execute_script("return here") == start
    assert not undo.is_enabled()
    browser.find_element(By.ID, "axis-0").send_keys(Keys.ARROW_LEFT)
    browser.find_element(By.ID, "reset").click()
    assert browser.execute_script("return here") == start
    undo.click()
    assert browser.execute_script("return here") != start


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("question", ["tonight", "study"])
def test_no_sideways_scrolling_no_error_and_nothing_for_axe(
    browser: Any, page: Path, width: int, question: str
) -> None:
    for scheme in ("light", "dark"):
        media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
        show(browser, page, width)
        browser.find_element(By.ID, f"tab-{question}").click()
        inner, wide = browser.execute_script(
            "return [document.documentElement.clientWidth, document.documentElement.scrollWidth]"
        )
        assert width - 20 <= inner <= width
        assert wide <= inner
        assert [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")] == []
        faults, measured = faults_of_axe(browser)
        assert faults == []
        assert measured > 20
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_it_can_load_nothing(browser: Any, page: Path) -> None:
    """Its policy names its own style and program by their hashes; a script that is put in is not run."""
    text = page.read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]  # type: ignore[index]
    assert policy.startswith(("default-src 'none'", "default-src &#39;none&#39;"))
    assert "unsafe" not in policy and "http" not in policy
    assert re.search(r"(src|href)=\"(?!data:)", text) is None
    show(browser, page, 1280)
    browser.execute_script(
        "const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
        "document.body.append(s);"
    )
    assert browser.execute_script("return window.ran") is None
    browser.get_log("browser")  # the refusal is told there


def test_a_title_ends_no_element(browser: Any, rough: Chart, tmp_path: Path) -> None:
    title = '</script><b id="broken">&amp;'
    chart = dataclasses.replace(rough, case=dataclasses.replace(rough.case, title=title))
    file = tmp_path / "page.html"
    file.write_text(document(chart, "0.0", "si", "</script>.toml"), encoding="utf-8")
    show(browser, file, 1280)
    assert browser.find_element(By.TAG_NAME, "h1").text == title
    assert browser.find_elements(By.ID, "broken") == []
    assert "Pellets leave at" in browser.find_element(By.ID, "verdict").text  # its numbers were read


def test_tabs_by_keyboard(browser: Any, page: Path) -> None:
    show(browser, page, 1280)
    first = browser.find_element(By.ID, "tab-tonight")
    first.send_keys(Keys.ARROW_RIGHT)
    assert browser.find_element(By.ID, "tab-study").get_attribute("aria-selected") == "true"
    assert not browser.find_element(By.ID, "tonight").is_displayed()
    browser.find_element(By.ID, "tab-study").send_keys(Keys.HOME)
    assert browser.find_element(By.ID, "tonight").is_displayed()


def test_the_picture_is_read_moved_and_taken_along(browser: Any, page: Path, rough: Chart) -> None:
    show(browser, page, 1280)
    browser.find_element(By.ID, "tab-study").click()
    k = [axis.key for axis in rough.axes].index("airflow")
    before = browser.execute_script("return here")
    browser.find_element(By.CSS_SELECTOR, "#plot svg").send_keys(Keys.ARROW_RIGHT)
    after = browser.execute_script("return here")
    assert 3600 * (after[k] - before[k]) == pytest.approx(10)
    code = browser.find_element(By.ID, "python").text
    case = rough.case
    scope: dict[str, Any] = {}
    exec(code.replace('coolsim.load("mill.toml")', "given"), {"given": case}, scope)
    found = answered(browser, np.array(after)[:, None])[0]
    there = coolsim.predict(case_at(machine_of(case), rough.axes, np.array(after)))
    assert scope["result"].pellets_out.moisture_wb == pytest.approx(there.pellets_out.moisture_wb, abs=1e-9)
    lines = browser.execute_script("return csvOf()").split("\r\n")
    assert lines[0] == '"airflow [m³/h]","feed moisture [%]","moisture [%]"'
    assert len(lines) == 1 + 49 * 37 + 1  # a head, the grid, and what follows the last line end
    x, y, z = map(float, lines[1].split(","))
    assert (x, y) == pytest.approx((500, 12.5))
    assert z == pytest.approx(100 * browser.execute_script("return view.numbers[0]"), rel=1e-6)
    assert f"{100 * found['moisture']:.2f} %" in browser.find_element(By.ID, "reading").text


def test_numbers_of_the_page_are_json(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="data">(.*?)</script>', text, re.S)[1])  # type: ignore[index]
    assert {axis["key"] for axis in data["axes"]} >= {"feed_moisture", "airflow"}
    assert len(text.encode()) < 1_000_000
