"""How soon a page is painted and answers a click, beside the library's simplest page in the same browser."""

import os
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from statistics import median

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))

import browsing
import made_up

from dashboard import launch

pytestmark = [pytest.mark.once, pytest.mark.browser]

LOADS = 9 if os.environ.get("COLDFILL_SOAK") == "full" else 2
PAINTED = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
#: the page is read as still after so long
STILL_S = 0.2


@pytest.fixture(scope="module")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        made = browsing.opened(play, sync_api)
        yield made
        made.close()


@pytest.fixture
def bare(tmp_path):
    """The library's simplest page, served."""
    (tmp_path / "bare.py").write_text("import streamlit as st\nst.title('One line')\n")
    port = launch.free_port()
    options = [f"--server.port={port}", "--server.address=127.0.0.1", "--server.headless=true"]
    served = subprocess.Popen(
        [sys.executable, "-m", "streamlit", "run", "bare.py", *options, "--browser.gatherUsageStats=false"],
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(240):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1):
                break
        except OSError:
            time.sleep(0.25)
    yield f"http://127.0.0.1:{port}"
    served.terminate()
    served.wait(10)


@pytest.fixture
def ours(tmp_path):
    made_up.publish(tmp_path / "published")
    served, address = browsing.serve(tmp_path / "published", role="manager")
    yield address
    served.terminate()
    served.wait(10)


def _loads(browser, address):
    """Seconds until something is painted, and until the page is still; medians, the first load left out."""
    painted, still = [], []
    for _ in range(1 + LOADS):
        page = browsing.Watched(browser, browsing.SIZES["desk"], address)
        began = time.perf_counter()
        page.open()
        still.append(time.perf_counter() - began - STILL_S)
        painted.append(page.page.evaluate(PAINTED) / 1000.0)
        page.context.close()
    return median(painted[1:]), median(still[1:])


def test_a_page_is_painted_about_as_soon_as_the_simplest_and_answers_clicks(browser, bare, ours, measured):
    bare_s, bare_still_s = _loads(browser, bare)
    painted_s, still_s = _loads(browser, ours)
    page = browsing.Watched(browser, browsing.SIZES["desk"], ours)
    page.open()
    clicks = []
    for name in ["Today", "Fleet", "Air", "Today"] * LOADS:
        began = time.perf_counter()
        page.turn_to(name)
        clicks.append(time.perf_counter() - began - STILL_S)
    page.check()
    page.context.close()
    simplest = "Streamlit: a page of one line"
    measured("first page: something painted", painted_s, simplest, bare_s, "1.2")
    measured("first page: drawn and still", still_s, simplest, bare_still_s)
    clicks.sort()
    late = clicks[int(0.95 * len(clicks))]
    measured(f"another page by a click, 95th percentile of {len(clicks)}", late, "-", 0.0, "0.5 s")
