"""Pictures of the real pages for the README: `python -m dashboard.pictures --station DIR --to FOLDER`.

Needs Playwright (extra `test`) and a Chromium; a Chromium that is installed already is taken, or the one that
COLDFILL_CHROMIUM names. Serves the station on this machine, opens each page 1280 wide, and keeps the top of it.
"""

import argparse
import io
import os
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd

from dashboard import launch
from dashboard.access import ALONE, Viewer
from dashboard.data import Snapshot, open_snapshot
from schemas import typed_day

WIDTH, HEIGHT = 1280, 900
#: colours kept: the pages are ink on paper
COLOURS = 64
LARGEST_BYTES = 150_000
LAST_DAYS = pd.Timedelta(days=60)
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]


@contextmanager
def served(published: Path) -> Iterator[str]:
    """The address of a station's pages while they are served."""
    port = launch.free_port()
    pages = subprocess.Popen(
        launch.command(published.resolve(), port),
        env=launch.environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://{launch.LOOPBACK}:{port}"
    try:
        for _ in range(240):
            try:
                with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):
                    break
            except OSError:
                time.sleep(0.25)
        yield address
    finally:
        pages.terminate()
        pages.wait(10)


def settle(page: Any) -> None:
    """Wait until a page has been computed and drawn."""
    page.wait_for_timeout(400)
    page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]", timeout=60_000)
    page.wait_for_timeout(900)


def press(page: Any, words: str) -> None:
    page.get_by_text(words, exact=True).first.click()
    settle(page)


def down_to(page: Any, words: str) -> None:
    """Scroll until a heading stands at the top."""
    page.get_by_role("heading", name=words).first.evaluate("e => e.scrollIntoView({block: 'start'})")
    page.wait_for_timeout(500)


def unit_to_show(snapshot: Snapshot) -> str:
    """A unit that may be filled and settled short last time: the answer and the advice both say something."""
    from schemas.clearance import fill_clearance, fillable_units

    units, health, fills, sources = (
        snapshot.table(t) for t in ("units", "cylinder_health", "fill_quality", "gas_sources")
    )
    standings = (fill_clearance(u, units, health, fills, sources) for u in fillable_units(units))
    free = [s for s in standings if s.may_be_filled and s.last_fill is not None and not s.look_first]
    short = [s for s in free if s.last_fill is not None and s.last_fill["verdict"] == "short"]
    chosen = (short or free)[0].unit_id if free else None
    return chosen or str(units["unit_id"].iloc[0])


def member_to_show(snapshot: Snapshot) -> str:
    """The member with a thin reserve, else the one with most dives."""
    watch = snapshot.table("reserve_watch")
    thin = watch[watch["state"] == "thin"]
    rows = thin if len(thin) else watch
    return str(rows.sort_values("dives_considered", ascending=False)["member_id"].iloc[0])


def filling(page: Any, snapshot: Snapshot) -> None:
    page.goto(f"{page.base}/?unit={unit_to_show(snapshot)}")
    settle(page)
    page.get_by_label("Reads now, bar").fill("60")
    page.keyboard.press("Tab")
    settle(page)


def from_the_top(page: Any, snapshot: Snapshot) -> None:
    filling(page, snapshot)
    page.locator(".station").first.evaluate("e => e.scrollIntoView({block: 'start'})")
    page.wait_for_timeout(500)


def log_it(page: Any, snapshot: Snapshot) -> None:
    filling(page, snapshot)
    press(page, "Log it")
    page.locator(".station").first.evaluate("e => e.scrollIntoView({block: 'start'})")
    page.wait_for_timeout(500)


def where_to_stop(page: Any, snapshot: Snapshot) -> None:
    filling(page, snapshot)
    down_to(page, "Where to stop the next fill")


def day(page: Any, snapshot: Snapshot) -> None:
    """The busiest of the last days."""
    page.goto(page.base)
    settle(page)
    press(page, "Fills of a day")
    days = snapshot.table("fill_quality")["filled_at"].dt.tz_convert(snapshot.zone).dt.date
    counts = days[days >= (snapshot.as_of_on - LAST_DAYS).date()].value_counts()
    if len(counts):
        page.get_by_role("combobox", name="Day").first.click()
        page.keyboard.type(typed_day.said(counts.index[0], snapshot.as_of_on.date()), delay=20)
        page.wait_for_timeout(400)
        page.keyboard.press("Enter")
        settle(page)


def waterfall(page: Any, snapshot: Snapshot) -> None:
    day(page, snapshot)
    page.get_by_role("combobox", name="One fill").click()
    page.wait_for_timeout(400)
    for key in ("ArrowDown", "ArrowUp", "Enter"):
        page.keyboard.press(key)
    settle(page)
    down_to(page, ", filled ")


def turn_to(name: str) -> Callable[[Any, Snapshot], None]:
    def at(page: Any, _: Snapshot) -> None:
        page.goto(page.base)
        settle(page)
        page.get_by_role("link", name=name, exact=True).click()
        settle(page)

    return at


def season(page: Any, snapshot: Snapshot) -> None:
    turn_to("My season")(page, snapshot)
    name = snapshot.names().get(member_to_show(snapshot), "")
    page.get_by_role("combobox", name="Whose season").click()
    page.get_by_role("option", name=name, exact=True).first.click()
    settle(page)


def dive(page: Any, snapshot: Snapshot) -> None:
    season(page, snapshot)
    page.get_by_role("radiogroup").get_by_text("One dive", exact=True).click()
    settle(page)
    page.get_by_role("combobox", name="One dive").first.evaluate(
        "e => e.closest('[data-testid=stElementContainer]').scrollIntoView({block: 'start'})"
    )
    page.wait_for_timeout(800)


PICTURES: dict[str, Callable[[Any, Snapshot], None]] = {
    "filling": from_the_top,
    "today": turn_to("Today"),
    "log-it": log_it,
    "where-to-stop": where_to_stop,
    "fills-of-a-day": day,
    "where-the-gas-went": waterfall,
    "fleet": turn_to("Fleet"),
    "divers": turn_to("Divers"),
    "my-season": season,
    "one-dive": dive,
    "air": turn_to("Air"),
    "inbox": turn_to("Inbox"),
}


def small(png: bytes) -> bytes:
    """A picture with few colours and so few bytes; fewer still where it is too large."""
    from PIL import Image

    whole = Image.open(io.BytesIO(png)).convert("RGB")
    for colours in (COLOURS, COLOURS // 2, COLOURS // 4):
        made = io.BytesIO()
        whole.quantize(colours, dither=Image.Dither.NONE).save(made, "PNG", optimize=True)
        if made.tell() <= LARGEST_BYTES:
            break
    return made.getvalue()


def take(published: Path, to: Path, names: list[str]) -> None:
    """Write the pictures of these pages."""
    from playwright.sync_api import sync_playwright

    browsers = ("chromium", "chromium-headless-shell", "google-chrome")
    program = os.environ.get("COLDFILL_CHROMIUM") or next(filter(None, map(shutil.which, browsers)), None)
    to.mkdir(parents=True, exist_ok=True)
    snapshot = open_snapshot(published, Viewer(ALONE))
    with served(published) as address, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=FLAGS)
        for name in names:
            page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
            page.base = address  # type: ignore[attr-defined]
            PICTURES[name](page, snapshot)
            picture = small(page.screenshot())
            (to / f"{name}.png").write_bytes(picture)
            print(f"{name}.png: {len(picture) // 1000} kB")
            page.close()
        browser.close()


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(prog="python -m dashboard.pictures", description=__doc__.splitlines()[0])
    parser.add_argument("--station", type=Path, required=True, help="A station with a snapshot.")
    parser.add_argument("--to", type=Path, required=True, help="Folder to write the pictures into.")
    parser.add_argument("names", nargs="*", help=f"Only these: {', '.join(PICTURES)}.")
    asked = parser.parse_args(arguments)
    unknown = [n for n in asked.names if n not in PICTURES]
    if unknown:
        parser.error(f"no picture is called {', '.join(unknown)}")
    take(asked.station / "published", asked.to, asked.names or list(PICTURES))


if __name__ == "__main__":
    main(sys.argv[1:])
