"""The main act of each role with the keyboard alone, from the top of the page until it is saved."""

import pandas as pd
import pytest
from browsing import SIZES, Keys, Watched, serve
from test_bad_moments import Quay

from schemas import entries

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def quay(tmp_path_factory):
    made = Quay(tmp_path_factory.mktemp("keys") / "station")
    yield made
    made.end()


@pytest.fixture
def keys(browser, quay):
    running, opened = [], []

    def sitting_as(role, member=None):
        more = {"member_id": member} if member else {}
        served, address = (quay.served, quay.address)
        if role != "operator":
            served, address = serve(quay.station.published, role=role, **more)
            running.append(served)
        one = Watched(browser, SIZES["desk"], address)
        opened.append(one)
        one.open()
        return Keys(one)

    yield sitting_as
    for one in opened:
        one.close()
    for served in running:
        served.terminate()
        served.wait(10)


def saved(quay, source):
    return [e.row for e in entries.written(quay.station.inbox) if e.source == source]


def test_an_operator_logs_a_stop(keys, quay):
    by = keys("operator")
    by.pick("Which cylinder or set?", "C1")
    by.watched.settle()
    by.part("Log it")
    # a browser that speaks English drops a comma in its own field for numbers: 5,5 became 55
    typed = {"Read at the start": "5,5", "Stopped at": "222", "Surroundings": "12,5", "Who filled": "Ines"}
    for name, text in typed.items():
        by.write(name, text)
    by.to("Save the stop")
    by.press("Enter")
    by.page.get_by_text("The stop of C1 at 222 bar").first.wait_for(timeout=60_000)
    (row,) = saved(quay, "fills")
    assert [row[c] for c in ("start_pressure_bar", "stop_pressure_bar", "ambient_c")] == ["5.5", "222", "12.5"]
    # the button is gone with its form: the focus stands on what was saved, then on its verdict, which is also heard
    told = "document.activeElement.id === 'answer' && document.getElementById('told').textContent.includes('{}')"
    by.page.wait_for_function(told.format("Saved"), timeout=10_000)
    by.page.wait_for_function(told.format("Saved and computed: the stop. C1: "), timeout=60_000)
    # what is next is the next key away, and its form begins with that fill
    by.to("Log its analysis", most=2)
    by.press("Enter")
    by.page.get_by_label("O₂ analysed, %").wait_for()
    by.watched.settle()
    heard = by.page.locator("[data-testid=stMain]").aria_snapshot()
    order = ["Saved and computed: the stop", "What to log", "Fill of", "O₂ analysed, %", "He analysed, %"]
    order += ["Who analysed", "Save the analysis", "Caution"]
    places = [heard.index(words) for words in order]
    assert places == sorted(places)


def test_a_manager_logs_an_inspection_of_a_day_typed_as_people_say_it(keys, quay):
    by = keys("manager")
    by.to("Fleet", "a")
    by.press("Enter")
    by.watched.settle()
    by.part("One cylinder's life")
    by.pick("Cylinder", "C2")
    by.watched.settle()
    by.to("Log an inspection of C2")
    by.press("Enter")
    by.watched.settle()
    by.pick("Kind", "vis")
    by.pick("Outcome", "pas")
    by.pick("Day", "3 may 2026")
    by.write("Who logs it", "Boss")
    by.to("Save the inspection")
    by.press("Enter")
    by.page.get_by_text("Visual inspection of C2 on 3 May 2026").first.wait_for(timeout=60_000)
    (row,) = saved(quay, "inspections")
    assert (row["kind"], row["result"], row["inspected_on"]) == ("visual", "pass", "2026-05-03")


def test_a_diver_hands_in_a_file(keys, quay):
    by = keys("diver", "M01")
    by.to("Inbox", "a")
    by.press("Enter")
    by.watched.settle()
    with by.page.expect_file_chooser() as choosing:
        by.to("Upload")
        by.press("Enter")
    today = f"{pd.Timestamp.now(tz='UTC') - pd.Timedelta(days=3):%Y-%m-%d}"
    log = f"dive_id,started_at,duration_min,mean_depth_m,max_depth_m\nD1,{today} 10:00,40,12,20\n"
    choosing.value.set_files({"name": "dives.csv", "mimeType": "text/csv", "buffer": log.encode()})
    by.watched.settle()
    by.to("Hand it in")
    by.press("Enter")
    by.page.get_by_text("Handed in").first.wait_for(timeout=60_000)
    assert list((quay.station.inbox / "dives" / "M01").rglob("*.csv"))
