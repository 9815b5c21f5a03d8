"""An operator's phone logs, a manager's desk sees it: a real station, a real run, a real browser."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from browsing import SIZES, Watched, serve

from dashboard import launch
from schemas import entries, words

sys.path.append(str(Path(__file__).parents[1] / "pipelines"))

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    import small_station as s

    made = s.make(tmp_path_factory.mktemp("quay") / "station", today="data")
    now = pd.Timestamp.now(tz="UTC")
    fills = [s.fill(n, filled_at=f"{now - pd.Timedelta(days=30 - n):%Y-%m-%d %H:%M}") for n in range(1, 8)]
    for name, rows in {"members.csv": s.MEMBERS, "cylinders.csv": s.CYLINDERS, "fills.csv": fills}.items():
        s.drop(made, name, rows)
    # by the machine's own clock, as the pages have it
    run = [sys.executable, "-m", "pipelines.cli", "run", "--station", str(made.folder)]
    subprocess.run(run, env=launch.environment(), check=True, capture_output=True)
    return made


def test_a_stop_saved_on_a_phone_is_judged_by_itself_and_seen_on_the_desk(browser, station):
    served, address = serve(station.published, role="operator")
    try:
        phone, desk = (Watched(browser, SIZES[size], address) for size in ("phone", "desk"))
        desk.open("?unit=C1")
        phone.open("?unit=C1")
        phone.page.get_by_text("Log it", exact=True).first.click()
        phone.settle()
        for label, value in {
            "Read at the start, bar": "40",
            "Stopped at, bar": "3365",
            "Surroundings, °C": "12",
        }.items():
            phone.page.get_by_label(label).fill(value)
        save = phone.page.get_by_role("button", name="Save the stop")
        save.click()
        phone.page.get_by_text("Above 450 bar, gauge. Is it psi?").wait_for()
        phone.page.get_by_text("Say who you are").wait_for()
        phone.check()
        phone.page.get_by_label("Stopped at, bar").fill("231")
        phone.page.get_by_label("Who filled").fill("Ines")
        save.dblclick()
        phone.page.get_by_text("The stop of C1 at 231 bar").first.wait_for(timeout=60_000)
        phone.check()
        phone.page.get_by_text("Saved and computed: the stop").first.wait_for(timeout=120_000)
        (entry,) = entries.written(station.inbox)
        filled = words.clock(pd.Timestamp(entry.row["filled_at"]), "UTC")
        desk.page.get_by_text(f"filled {filled}").first.wait_for(timeout=60_000)
        for one in (phone, desk):
            one.settle()
            one.check()
            one.context.close()
    finally:
        served.terminate()
        served.wait(10)
