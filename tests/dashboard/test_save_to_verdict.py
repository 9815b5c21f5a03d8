"""From the press of 'Save' on a phone to the verdict, on the sample station and by the machine's own clock.

COLDFILL_SOAK=full pytest -s tests/dashboard/test_save_to_verdict.py
"""

import os
import subprocess
import sys
import time

import pandas as pd
import pytest
from browsing import SIZES, Watched, serve

from dashboard import launch

FULL = os.environ.get("COLDFILL_SOAK") == "full"
pytestmark = [pytest.mark.browser, pytest.mark.soak]
#: when the page first said each of these, by its own clock and without asking it more than 50 times a second
LOOK = """() => { window.seen = {}
  const words = { saved: "Saved, being computed", verdict: "Saved and computed: the stop" }
  setInterval(() => { const all = document.body.textContent
    for (const k in words)
      if (!(k in window.seen) && all.includes(words[k])) window.seen[k] = Date.now() / 1000 }, 20) }"""
STOPS = ("S12-1", "S12-2", "S12-3")


@pytest.mark.skipif(not FULL, reason="a station of its own: with COLDFILL_SOAK=full")
def test_the_verdict_stands_there_soon_after_the_press(browser, tmp_path):
    """The first stop of a day too: what the new day changes is computed once its first page is looked at."""
    folder = tmp_path / "station"
    made = [sys.executable, "-m", "pipelines.cli", "demo", "--no-dashboard", "--dir", str(folder)]
    subprocess.run(made, env=launch.environment(), check=True, capture_output=True)
    settings = folder / "station.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace('today = "data"', 'today = "clock"'), "utf-8")
    yesterday = f"{pd.Timestamp.now('Europe/London') - pd.Timedelta(days=1):%Y-%m-%d}"
    before = [sys.executable, "-m", "pipelines.cli", "run", "--as-of", yesterday, "--station", str(folder)]
    subprocess.run(before, env=launch.environment(), check=False, capture_output=True)
    served, address = serve(folder / "published", role="operator")
    phone = Watched(browser, SIZES["phone"], address)
    try:
        took = [_one_stop(phone, folder, unit) for unit in STOPS]
    finally:
        phone.context.close()
        served.terminate()
        served.wait(10)
    print()
    for unit, (saved, verdict, page) in zip(STOPS, took, strict=True):
        print(f"{unit}: saved {saved:.2f} s, verdict {verdict:.2f} s, of which the page {page:.2f} s")
    # what the page adds to the run: its look at the pointer, and the drawing of it
    assert min(page for _, _, page in took[1:]) < 1.0 and min(saved for saved, _, _ in took) < 1.0


def _one_stop(phone, folder, unit):
    phone.open(f"?unit={unit}")
    phone.page.get_by_text("Log it", exact=True).first.click()
    phone.settle()
    typed = {"Read at the start, bar": "40", "Stopped at, bar": "221", "Surroundings, °C": "12", "Who filled": "Ines"}
    for label, value in typed.items():
        phone.page.get_by_label(label, exact=True).fill(value)
    phone.settle()
    time.sleep(5)  # a person takes longer; by then a run stands by
    phone.page.evaluate(LOOK)
    pressed = time.time()
    phone.page.get_by_role("button", name="Save the stop").click()
    phone.page.wait_for_function("window.seen.verdict", timeout=60_000)
    seen = phone.page.evaluate("window.seen")
    pointers = [folder / "published" / name for name in ("first_look", "current")]
    out = [p.stat().st_mtime for p in pointers if p.exists() and p.stat().st_mtime > pressed]
    time.sleep(4)  # the rest of that run
    return seen["saved"] - pressed, seen["verdict"] - pressed, seen["verdict"] - min(out)
