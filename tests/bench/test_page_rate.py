"""How soon a page is painted and answers a click, beside the library's simplest page in the same browser."""

import os
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path
from statistics import median

import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))

import browsing
import made_up

from dashboard import launch

pytestmark = [pytest.mark.once, pytest.mark.browser]

FULL = os.environ.get("COLDFILL_SOAK") == "full"
LOADS = 9 if FULL else 2
#: fills of the large station, and how often each of its clicks is made
FILLS, CYLINDERS, ROUNDS = (100_000, 500, 4) if FULL else (4_000, 20, 2)
OTHERS = 7
PAINTED = "() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


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
    (tmp_path / "bare.py").write_text(
        "import streamlit as st\nst.title('One line')\nif 'click' in st.query_params:\n"
        "    st.write(st.segmented_control('One', ['a', 'b'], default='a', required=True))\n"
    )
    port = launch.free_port()
    options = [f"--server.port={port}", "--server.address=127.0.0.1", "--server.headless=true"]
    options += ["--server.fileWatcherType=none"]  # as ours
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
        was_still = page.open()
        still.append(time.perf_counter() - began - was_still)
        painted.append(page.page.evaluate(PAINTED) / 1000.0)
        page.context.close()
    return median(painted[1:]), median(still[1:])


def test_a_page_is_painted_about_as_soon_as_the_simplest_and_answers_clicks(browser, bare, ours, measured):
    bare_s, bare_still_s = _loads(browser, bare)
    painted_s, still_s = _loads(browser, ours)
    page = browsing.Watched(browser, browsing.SIZES["desk"], ours)
    page.open()
    clicks = [_timed(page, _link(name)) for name in ["Today", "Fleet", "Air", "Today"] * LOADS]
    page.check()
    page.context.close()
    simplest = "Streamlit: a page of one line"
    measured("first page: something painted", painted_s, simplest, bare_s, "1.2")
    measured("first page: drawn and still", still_s, simplest, bare_still_s)
    clicks.sort()
    late = clicks[int(0.95 * len(clicks))]
    measured(f"another page by a click, 95th percentile of {len(clicks)}", late, "-", 0.0, "0.5 s")


def _more(frame: pd.DataFrame, of: str, names: list[str]) -> pd.DataFrame:
    """A register with further cylinders, like the one of them that there is."""
    like = frame[frame[of] == "A11-2"]
    more = pd.concat([like] * len(names), ignore_index=True).assign(**{of: names})
    return pd.concat([frame, more], ignore_index=True)


def ten_seasons(published: Path) -> None:
    """The made-up station with `CYLINDERS` more, `FILLS` fills of them over ten years and three events of each."""
    names = [f"N{i:03d}" for i in range(CYLINDERS)]
    few = made_up.fills()
    fills = pd.concat([few] * (FILLS // len(few)), ignore_index=True)
    back = pd.Series(range(len(fills) - 1, -1, -1)) * (pd.Timedelta(days=3650) / len(fills))
    units = [names[i % len(names)] for i in range(len(fills))]
    fills = fills.assign(
        fill_id=[f"f{i:06d}" for i in range(len(fills))],
        filled_at=(made_up.NOW - back).dt.as_unit("us"),
        unit_id=units,
        cylinder_ids=[[unit] for unit in units],
        latest_fill=fills.index >= len(fills) - len(names),
    )
    rows = pd.DataFrame({"cylinder_id": units, "at": fills["filled_at"], "value": 200.0})
    life = pd.concat([rows.assign(event=event) for event in ("arrived", "filled", "dived")])
    made_up.publish(
        published,
        fill_quality=fills,
        cylinder_life=life.sort_values(["cylinder_id", "at"]),
        units=_more(made_up.UNITS, "unit_id", names),
        cylinder_health=_more(made_up.HEALTH, "cylinder_id", names).assign(
            leak_flag=[*made_up.HEALTH["leak_flag"], *[False] * len(names)]
        ),
    )


@pytest.fixture
def large(tmp_path):
    ten_seasons(tmp_path / "published")
    served, address = browsing.serve(tmp_path / "published", role="manager")
    yield address, served.pid
    served.terminate()
    served.wait(10)


def _part(name):
    return lambda page: page.page.get_by_role("radio", name=name, exact=True).click()


def _link(name):
    return lambda page: page.page.get_by_role("link", name=name, exact=True).click()


#: a click on each page and part, as somebody goes round
CLICKS = {
    "Today": _link("Today"),
    "Filling": _link("Filling"),
    "Filling: day": _part("Fills of a day"),
    "Filling: recipe": _part("Recipe"),
    "Filling: season": _part("Over the season"),
    "Filling: log": _part("Log it"),
    "Fleet": _link("Fleet"),
    "Fleet: leaks": _part("Leaks in storage, short fills"),
    "Fleet: plan": _part("Visits and bookings"),
    "Fleet: life": _part("One cylinder's life"),
    "Divers": _link("Divers"),
    "Divers: one": _part("One diver"),
    "My season": _link("My season"),
    "My season: dives": _part("How near each dive came"),
    "My season: one": _part("One dive"),
    "My season: kit": _part("Weighting and lift"),
    "Air": _link("Air"),
    "Inbox": _link("Inbox"),
}


def _core_s(pid):
    """Seconds of processor time of a process so far; none where the system does not say."""
    try:
        said = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(said[11]) + int(said[12])) / os.sysconf("SC_CLK_TCK")


def _timed(page, click):
    """Seconds from a click until the last change of the page."""
    began = time.perf_counter()
    click(page)
    was_still = page.settle()
    return time.perf_counter() - began - was_still


def _at(listed, share):
    return sorted(listed)[min(int(share * len(listed)), len(listed) - 1)]


def _session(address, name, seconds):
    """One more viewer who opens a page, without a browser: seconds until the server has said all of it."""
    client = pytest.importorskip("websockets.sync.client")
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    began, asked, said = time.perf_counter(), BackMsg(), ForwardMsg()
    asked.rerun_script.page_name = name
    stream = f"{address.replace('http', 'ws', 1)}/_stcore/stream"
    with client.connect(stream, subprotocols=["streamlit"], max_size=None, origin=address) as open_stream:
        open_stream.send(asked.SerializeToString())
        while said.WhichOneof("type") != "script_finished":
            said.ParseFromString(open_stream.recv(timeout=120))
    seconds.append(time.perf_counter() - began)


def test_clicks_at_ten_seasons_beside_the_librarys_own(browser, bare, large, measured):
    """Each page and part in turn, the library's own click after each, on the same browser and load."""
    address, pid = large
    page = browsing.Watched(browser, browsing.SIZES["desk"], address)
    plain = browsing.Watched(browser, browsing.SIZES["desk"], bare)
    page.open()
    plain.open("?click=1")
    clicks, own, core = {name: [] for name in CLICKS}, [], []
    for _ in range(ROUNDS):
        for name, click in CLICKS.items():
            before = _core_s(pid)
            clicks[name].append(_timed(page, click))
            core.append(_core_s(pid) - before)
            own.append(_timed(plain, _part("ab"[len(own) % 2 - 1])))
    page.check()
    page.context.close()
    plain.context.close()
    for name, times in clicks.items():
        measured(f"{FILLS:,} fills: {name}, by a click", median(times), "Streamlit: one choice", median(own))
    every = [one for times in clicks.values() for one in times]
    measured(f"{len(every)} clicks, median", median(every), "Streamlit: one choice, median", median(own))
    measured(f"{len(every)} clicks, 95th percentile", _at(every, 0.95), "its own", _at(own, 0.95), "0.5 s")
    measured("a core of the server for each, 95th percentile", _at(core, 0.95), "-", 0.0)


def test_eight_who_open_a_page_at_once_wait_for_one_computation(bare, large, measured):
    address, pid = large
    _session(address, "air", [])  # what is loaded once
    _session(bare, "", [])
    for name in ("today", "season", "inbox"):
        ours, own = [], []
        before = _core_s(pid)
        for where, path, seconds in ((address, name, ours), (bare, "", own)):
            viewers = [threading.Thread(target=_session, args=(where, path, seconds)) for _ in range(1 + OTHERS)]
            for viewer in viewers:
                viewer.start()
            for viewer in viewers:
                viewer.join()
        assert len(ours) == len(own) == 1 + OTHERS
        measured(f"{name}, cold, {1 + OTHERS} at once: said to the last", max(ours), "Streamlit: one line", max(own))
        measured(f"{name}, cold, {1 + OTHERS} at once: a core", _core_s(pid) - before, "-", 0.0)
