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


@pytest.fixture(scope="module")
def address(station):
    served, where = serve(station.published, role="operator")
    yield where
    served.terminate()
    served.wait(10)


class BadLine:
    """The line between page and station, which loses what is pressed, or the answer to it."""

    def __init__(self, page):
        self.loses, self.ends = "", []
        page.route_web_socket(lambda url: "_stcore/stream" in url, self._join)

    def _join(self, end):
        station = end.connect_to_server()
        self.ends.append((end, station))
        end.on_message(lambda m: None if self.loses == "press" else station.send(m))
        station.on_message(lambda m: None if self.loses == "answer" else end.send(m))

    def good_again(self):
        self.loses = ""
        for end in self.ends[-1]:  # the page joins anew by itself
            end.close()


def saved(station):
    return [e.row["stop_pressure_bar"] for e in entries.written(station.inbox) if e.source == "fills"]


def test_a_press_that_is_lost_saves_nothing_and_says_so_and_one_whose_answer_is_lost_is_one_row(
    browser, station, address
):
    phone = Watched(browser, SIZES["phone"], address)
    line = BadLine(phone.page)
    phone.open("?unit=C2")
    phone.page.get_by_text("Log it", exact=True).first.click()
    phone.settle()
    typed = {"Read at the start, bar": "40", "Stopped at, bar": "222", "Surroundings, °C": "12", "Who filled": "Ines"}
    for label, value in typed.items():
        phone.page.get_by_label(label).fill(value)
    phone.settle()
    before, save = saved(station), phone.page.get_by_role("button", name="Save the stop")
    line.loses = "press"
    save.click()
    phone.settle()
    assert saved(station) == before and phone.page.get_by_label("Stopped at, bar").input_value() == "222"
    phone.page.get_by_text("Nothing is saved until this page says 'Saved'").wait_for()
    assert phone.page.get_by_text("The stop of C2 at 222 bar").count() == 0
    line.good_again()
    phone.settle()
    line.loses = "answer"
    save.click()
    for _ in range(600):  # until it stands in the inbox, of which the page knows nothing
        if saved(station) != before:
            break
        phone.page.wait_for_timeout(50)
    line.good_again()
    phone.page.get_by_text("The stop of C2 at 222 bar").first.wait_for(timeout=60_000)
    phone.settle()
    assert saved(station) == [*before, "222"]
    phone.context.close()


def test_a_stop_saved_on_a_phone_is_judged_by_itself_and_seen_on_the_desk(browser, station, address):
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
    (entry,) = [e for e in entries.written(station.inbox) if e.row.get("unit_id") == "C1"]
    filled = words.clock(pd.Timestamp(entry.row["filled_at"]), "UTC")
    desk.page.get_by_text(f"filled {filled}").first.wait_for(timeout=60_000)
    for one in (phone, desk):
        one.settle()
        one.check()
        one.close()
