"""An entry at bad moments: no network, two phones at once, a server that came again, a run in the middle."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from browsing import SIZES, SOON_AGAIN_S, Watched, serve

from dashboard import launch
from schemas import entries

sys.path.append(str(Path(__file__).parents[1] / "pipelines"))

pytestmark = pytest.mark.browser
SAVE = "Save the stop"


class Quay:
    """A station with its pages; `again` ends them and serves them once more at the same address."""

    def __init__(self, folder):
        import small_station as s

        self.station = s.make(folder, today="data")
        now = pd.Timestamp.now(tz="UTC")
        fills = [s.fill(n, filled_at=f"{now - pd.Timedelta(days=30 - n):%Y-%m-%d %H:%M}") for n in range(1, 8)]
        for name, rows in {"members.csv": s.MEMBERS, "cylinders.csv": s.CYLINDERS, "fills.csv": fills}.items():
            s.drop(self.station, name, rows)
        self.run()
        self.served, self.address = serve(self.station.published, role="operator", look_again=SOON_AGAIN_S)

    def run(self):
        command = [sys.executable, "-m", "pipelines.cli", "run", "--wait", "60", "--station", str(self.station.folder)]
        subprocess.run(command, env=launch.environment(), check=True, capture_output=True)

    def end(self):
        self.served.terminate()
        self.served.wait(10)

    def again(self):
        self.end()
        port = int(self.address.rpartition(":")[2])
        self.served, _ = serve(self.station.published, port, role="operator", look_again=SOON_AGAIN_S)

    def stops(self, unit):
        written = entries.written(self.station.inbox)
        return [e.row["stop_pressure_bar"] for e in written if e.source == "fills" and e.row.get("unit_id") == unit]


@pytest.fixture(scope="module")
def quay(tmp_path_factory):
    made = Quay(tmp_path_factory.mktemp("quay") / "station")
    yield made
    made.end()


@pytest.fixture
def phone(browser, quay):
    opened = []

    def at(unit, stop):
        """The form of a unit's stop, filled in."""
        one = Watched(browser, SIZES["phone"], quay.address)
        opened.append(one)
        one.open(f"?unit={unit}")
        one.page.get_by_text("Log it", exact=True).first.click()
        one.settle()
        fill_in(one, stop)
        return one

    yield at
    for one in opened:
        one.close()


def fill_in(one, stop):
    typed = {"Read at the start, bar": "40", "Stopped at, bar": stop, "Surroundings, °C": "12", "Who filled": "Ines"}
    for label, value in typed.items():
        one.page.get_by_label(label).fill(value)
    one.settle()


def press(one):
    one.page.get_by_role("button", name=SAVE).click()


def test_through_a_power_cut_nothing_is_saved_unsaid_and_then_one_press_makes_one_row(phone, quay):
    one = phone("C1", "221")
    one.context.set_offline(True)
    quay.end()
    one.page.wait_for_selector("[data-testid=stApp]:not([data-test-connection-state=CONNECTED])", timeout=60_000)
    assert one.page.get_by_text("The stop of C1 at 221 bar").count() == 0
    one.page.get_by_text("Nothing is saved until this page says 'Saved'").wait_for()
    quay.again()
    one.context.set_offline(False)
    one.page.wait_for_selector("[data-testid=stApp][data-test-connection-state=CONNECTED]", timeout=60_000)
    one.settle()
    # whoever served the page has forgotten the form: it stands there empty, and nothing was saved
    assert quay.stops("C1") == [] and one.page.get_by_label("Stopped at, bar").input_value() == ""
    fill_in(one, "221")
    press(one)
    one.page.get_by_text("The stop of C1 at 221 bar").first.wait_for(timeout=60_000)
    one.settle()
    assert quay.stops("C1") == ["221"]


def test_two_phones_at_once_make_one_row_and_one_is_told(phone, quay):
    first, second = phone("C2", "222"), phone("C2", "223")
    press(first)
    press(second)
    for one in (first, second):
        one.settle()
    told = [one.page.get_by_text("Not saved: a stop of C2 at").count() for one in (first, second)]
    assert len(quay.stops("C2")) == 1 and sorted(told) == [0, 1]


def test_a_run_in_the_middle_takes_nothing_of_what_is_typed(phone, quay):
    one = phone("C3", "224")
    quay.run()
    one.page.wait_for_timeout(1000 * SOON_AGAIN_S + 3000)  # the page turns to what it published by itself
    one.settle()
    assert one.page.get_by_label("Stopped at, bar").input_value() == "224"
    press(one)
    one.page.get_by_text("The stop of C3 at 224 bar").first.wait_for(timeout=60_000)
    one.settle()
    assert quay.stops("C3") == ["224"]


def test_what_goes_and_comes_above_a_form_leaves_what_is_being_typed(phone, quay):
    """The entry of another phone stands above the form while it is computed, then its verdict does."""
    now = pd.Timestamp.now(tz="UTC")
    row = {"fill_id": "other", "unit_id": "C1", "filled_at": now - pd.Timedelta(hours=2), "start_pressure_bar": 30.0}
    row |= {"stop_pressure_bar": 200.0, "target_pressure_bar": 200.0, "ambient_c": 12.0, "target_o2_pct": 20.95}
    entry = entries.Entry("fills", row, "Ada", "filling", entries.new_token(now))
    entries.save(quay.station.inbox, entry, now, now + pd.Timedelta(days=1))
    one = phone("C1", "224")
    one.page.get_by_text("Saved, being computed").wait_for()
    field = one.page.get_by_label("Stopped at, bar")
    field.press("Control+A")
    field.press_sequentially("23")
    quay.run()
    one.page.get_by_text("Saved, being computed").wait_for(state="detached", timeout=60_000)
    one.settle()
    one.page.keyboard.type("1")
    assert field.evaluate("e => e === document.activeElement") and field.input_value() == "231"
