"""The explorer: its figures, its plot, and the page itself in JupyterLab in a browser."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from test_decision import PLAY, PRICES

import matledger as mat
from matledger.chances import chance
from matledger.explorer import CORING_DAYS, SLIDERS, Choice, Forecaster, _near, _widget

START = {slider.name: slider.metric[3] for slider in SLIDERS}


@pytest.fixture(scope="module")
def calibration():
    return mat.calibrate(mat.demo_course(), draws=120, seed=1)


@pytest.fixture(scope="module")
def forecaster(calibration):
    course = calibration.course
    return Forecaster(
        calibration=calibration,
        target=course.target,
        years=3,
        draws=60,
        weather_sequences=2,
        seed=1,
        prices=PRICES,
        play=PLAY,
        recovery=mat.healing(course, seed=1),
        coring_days=CORING_DAYS,
        season="from 1 May to 30 September",
        no_work=(),
        units="metric",
    )


def told(forecaster, **moved):
    return forecaster.told(forecaster.programme(Choice.of(START | moved, "metric")))


def test_a_choice_says_what_search_says(forecaster, calibration):
    found = told(forecaster)
    programme = mat.Space(
        coring_days=[CORING_DAYS[2]],
        bores_mm=[12.5],
        spacings_mm=[(50, 50)],
        depths_mm=[70],
        topdressing_mm=[0.3],
        topdressing_every_days=[14],
    )
    frontier = mat.search(
        calibration, programme, years=3, draws=60, weather_sequences=2, seed=1, prices=PRICES, play=PLAY
    )
    assert found["chance_all"] == chance(float(frontier.probability_all[0]), 60)
    assert found["chance"] == [chance(float(share), 60, named=False) for share in frontier.probability[0]]
    assert found["cost"] == pytest.approx(frontier.budget.a_year[0])
    assert found["closed_days"] == pytest.approx(frontier.budget.closed_days[0].mean())
    np.testing.assert_allclose(found["median"], np.median(frontier.om_percent[0], axis=-1))
    assert found["greens"] == [green.name for green in calibration.course.greens]


def test_sliders_move_what_they_should(forecaster):
    start = told(forecaster)
    more_sand, no_coring = told(forecaster, sand_mm=0.6), told(forecaster, events=0)
    assert max(more_sand["median"]) < max(start["median"])
    assert more_sand["cost"] > start["cost"] > no_coring["cost"]
    assert no_coring["closed_days"] == no_coring["disrupted_days"] == 0


def test_us_sliders_reach_the_same_programme(forecaster):
    metric = Choice.of(START | {"bore_mm": 12.5, "spacing_mm": 50, "depth_mm": 70, "sand_mm": 0.3}, "metric")
    us = Choice.of(
        {name: value for name, value in START.items()}
        | {"bore_mm": 0.5, "spacing_mm": 2, "depth_mm": 2.75, "sand_mm": 1},
        "us",
    )
    assert us.bore_mm == 12.7
    assert us.spacing_mm == 50.8
    assert us.sand_mm == pytest.approx(0.3048)
    assert us.events == metric.events


def test_sliders_start_near_the_present_programme(calibration):
    twice, three, sand = calibration.course.programmes
    assert _near(twice, "metric") == {
        "events": 2,
        "bore_mm": 12.5,  # 12.7, on a slider of half millimetres
        "spacing_mm": 50,
        "depth_mm": 70,
        "sand_mm": 0.3,
        "every_days": 17,
    }
    assert _near(three, "us")["bore_mm"] == 0.375
    assert _near(three, "us")["events"] == 3
    assert _near(sand, "metric") == {"events": 0, "sand_mm": 0.25, "every_days": 14}


def test_a_value_beyond_a_slider_and_a_missing_target_are_refused(calibration):
    with pytest.raises(mat.InputError, match="bore_mm: 99; expected a number from 6 to 20 mm"):
        Choice.of(START | {"bore_mm": 99}, "metric")
    with pytest.raises(mat.InputError, match="expected 5 sets of days"):
        mat.explore(calibration, coring_days=[()])


def test_without_a_notebook_the_same_call_returns_the_plot(calibration):
    axes = mat.explore(calibration, years=1, draws=20, units="us")
    assert isinstance(axes, Axes)
    assert "0 to 0.79 in" in axes.get_xlabel()
    assert [label.get_text() for label in axes.get_yticklabels()] == [g.name for g in calibration.course.greens]


def test_the_widget_follows_its_choice_without_a_page(forecaster):
    widget = _widget(forecaster, [slider.shown("metric") for slider in SLIDERS], START)
    assert widget.reading["turn"] == 0
    assert widget.present["name"] == "twice 12.7 mm"
    widget.choice = START | {"events": 0, "turn": 7}
    assert widget.reading["turn"] == 7
    assert widget.programme.name.startswith("no coring")
    widget.choice = START | {"depth_mm": -4, "turn": 8}
    assert "depth_mm: -4; expected a number from 20 to 120 mm" in widget.reading["problem"]
    json.dumps(widget.reading)


CHROMIUM = shutil.which("chromium")
CELL = """\
import sys; sys.path.insert(0, {tests!r})
import matledger as mat
from test_decision import PLAY, PRICES
explorer = mat.explore(mat.calibrate(mat.demo_course(), draws=120, seed=1), prices=PRICES, play=PLAY)
explorer"""


@pytest.fixture
def lab(tmp_path):
    """JupyterLab with one notebook, served from a folder of its own."""
    cell = {"cell_type": "code", "id": "one", "metadata": {}, "outputs": [], "execution_count": None}
    cell["source"] = CELL.format(tests=os.fspath(Path(__file__).parent))
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    notebook = {"cells": [cell], "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    room = tmp_path / "room"
    room.mkdir()
    room.joinpath("explore.ipynb").write_text(json.dumps(notebook), encoding="utf-8")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    places = {f"JUPYTER_{name}_DIR": os.fspath(tmp_path / name) for name in ("CONFIG", "DATA", "RUNTIME")}
    command = [
        sys.executable,
        "-m",
        "jupyterlab",
        "--no-browser",
        "--allow-root",
        f"--port={port}",
        f"--notebook-dir={room}",
    ]
    options = [
        "--IdentityProvider.token=",
        "--ServerApp.open_browser=False",
        "--LabApp.news_url=",
        "--ServerApp.port_retries=0",
    ]
    with (tmp_path / "lab.log").open("w") as log:
        server = subprocess.Popen([*command, *options], env=os.environ | places, stdout=log, stderr=log)
    try:
        until = time.monotonic() + 60
        while True:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/api", timeout=5).close()
                break
            except (urllib.error.URLError, OSError):
                if server.poll() is not None or time.monotonic() > until:
                    pytest.fail((tmp_path / "lab.log").read_text())
                time.sleep(0.2)
        yield f"http://127.0.0.1:{port}/lab/tree/explore.ipynb"
    finally:
        server.terminate()
        server.wait(30)


# From the key to the figures on the page, as the reader sees it.
FOLLOW = """
async ({name, value}) => {
  const root = document.querySelector(".matledger-explorer");
  const input = root.querySelector(`input[name=${name}]`);
  const answer = root.querySelector("[aria-live]");
  const seen = new Promise((done) => {
    new MutationObserver((_, self) => { self.disconnect(); done(); }).observe(answer, {childList: true});
  });
  const began = performance.now();
  input.value = value;
  input.dispatchEvent(new Event("input"));
  await seen;
  return performance.now() - began;
}
"""


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on the path")
def test_the_page_follows_its_sliders_by_keyboard_in_jupyterlab(lab, tmp_path):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1300, "height": 1000})
        words = []
        page.on("console", lambda message: words.append(message.text) if message.type == "error" else None)
        page.goto(lab)
        page.locator(".jp-Notebook .jp-Cell").first.wait_for(timeout=60_000)
        page.get_by_text("Python 3 (ipykernel) | Idle").wait_for(timeout=60_000)
        page.locator(".jp-Notebook .jp-Cell .cm-content").first.click()
        page.keyboard.press("Shift+Enter")
        root = page.locator(".matledger-explorer").first
        root.or_(page.locator(".jp-OutputArea-output").first).first.wait_for(timeout=120_000)
        root.wait_for(timeout=20_000)
        answer = root.locator("[aria-live=polite]")
        answer.filter(has_text="that every green").wait_for(timeout=60_000)
        assert root.locator("tbody tr").count() == 9

        # every slider has a label, is reached by Tab and moved by the arrow keys
        first = answer.inner_text()
        corings = root.get_by_label("corings a year")
        corings.focus()
        page.keyboard.press("ArrowRight")
        assert corings.input_value() == "3"
        assert corings.get_attribute("aria-valuetext") == "3"
        page.wait_for_function(
            "text => document.querySelector('.matledger-explorer [aria-live]').textContent !== text", arg=first
        )
        named = []
        for _ in SLIDERS:
            named.append(page.evaluate("document.activeElement.name"))
            page.keyboard.press("Tab")
        assert named == [slider.name for slider in SLIDERS]
        assert "3.0 closed days" in answer.inner_text()

        # many moves at once: the page ends at the last
        depth = root.get_by_label("depth")
        depth.focus()
        for _ in range(8):
            page.keyboard.press("ArrowLeft")
        page.wait_for_function("() => document.querySelector('.matledger-explorer').dataset.turn >= 3")
        took = [
            page.evaluate(FOLLOW, {"name": "sand_mm", "value": value}) for value in (0.35, 0.4, 0.45, 0.5, 0.55, 0.6)
        ]
        print(f"from slider to figures: {min(took):.0f} ms at best, {np.median(took):.0f} ms median")
        assert min(took) < 2000
        shot = os.environ.get("MATLEDGER_SHOTS")
        page.screenshot(path=f"{shot or tmp_path}/explorer.png")
        assert "Error" not in page.locator(".jp-OutputArea").first.inner_text()
        assert not [word for word in words if re.search("matledger|anywidget", word)], words
        browser.close()
