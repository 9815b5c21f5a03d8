"""The pages in a real browser: on a desk and on a phone, by keyboard, offline, with hostile names."""

import os
import shutil
import subprocess
import time
import urllib.request

import pytest
from made_up import ME

from dashboard import launch

pytestmark = pytest.mark.browser
FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"desk": (1280, 900), "phone": (390, 844)}
PAGES = {
    "Filling": "Do not hand over",
    "Fleet": "May not be filled",
    "Divers": "Whose reserves run thin",
    "My season": "What you breathe",
    "Air": "Fills to call back",
    "Inbox": "Rejected, and how to mend it",
}


def serve(published, **asked):
    port = launch.free_port()
    served = subprocess.Popen(
        launch.command(published, port, **asked),
        env=launch.environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(240):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=1):
                return served, f"http://127.0.0.1:{port}"
        except OSError:
            time.sleep(0.25)
    served.kill()
    raise RuntimeError("the pages did not come up")


@pytest.fixture(scope="module")
def address(published):
    served, where = serve(published)
    yield where
    served.terminate()
    served.wait(10)


@pytest.fixture(scope="module")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api")
    program = (
        os.environ.get("COLDFILL_CHROMIUM")
        or shutil.which("chromium")
        or shutil.which("chromium-browser")
        or shutil.which("google-chrome")
    )
    with sync_api.sync_playwright() as play:
        try:
            opened = play.chromium.launch(executable_path=program, args=FLAGS)
        except sync_api.Error as error:
            pytest.skip(f"no Chromium here: {error.message.splitlines()[0]}")
        yield opened
        opened.close()


class Watched:
    """A page that remembers what should not happen."""

    def __init__(self, browser, size, address):
        self.context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        self.page = self.context.new_page()
        self.wrong, self.asked = [], []
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.page.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.page.on("dialog", lambda d: (self.wrong.append(f"a script ran: {d.message}"), d.dismiss()))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.address = address

    def open(self, path=""):
        self.page.goto(f"{self.address}/{path}")
        self.settle()

    def settle(self):
        self.page.wait_for_timeout(250)
        self.page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]", timeout=60_000)
        self.page.wait_for_timeout(350)

    def turn_to(self, name):
        self.page.get_by_role("link", name=name, exact=True).click()
        self.settle()

    def check(self):
        assert self.page.locator("[data-testid=stException]").count() == 0
        assert self.wrong == []
        assert [u for u in self.asked if not u.startswith(("data:", "blob:")) and "//127.0.0.1:" not in u] == []
        too_wide = self.page.evaluate(
            "(() => { const m = document.querySelector('[data-testid=stMain]'); return Math.max(m.scrollWidth - "
            "m.clientWidth,"
            " document.scrollingElement.scrollWidth - innerWidth) })()"
        )
        assert too_wide <= 0


@pytest.fixture(params=SIZES)
def watched(request, browser, address):
    made = Watched(browser, SIZES[request.param], address)
    yield made
    made.context.close()


def test_every_page_opens_fits_and_stays_on_this_machine(watched):
    watched.open()
    for name, words in PAGES.items():
        watched.turn_to(name)
        watched.page.get_by_text(words).first.wait_for(timeout=20_000)
        watched.check()


def test_every_part_of_filling_and_fleet_fits(watched):
    watched.open("?unit=T12-1")
    for part in ("Held back", "Fills of a day", "Over the season", "Where to stop"):
        watched.page.get_by_text(part, exact=True).first.click()
        watched.settle()
        watched.check()
    watched.turn_to("Fleet")
    for part in ("Leaks and short fills", "Visits and bookings", "One cylinder's life"):
        watched.page.get_by_text(part, exact=True).first.click()
        watched.settle()
        watched.check()


def test_a_name_typed_with_the_keyboard_alone_gets_its_answer(watched):
    watched.open()
    field = watched.page.get_by_role("combobox", name="Which cylinder or set?")
    for _ in range(12):
        watched.page.keyboard.press("Tab")
        if field.evaluate("e => e === document.activeElement"):
            break
    watched.page.keyboard.type("S10-4")
    watched.page.keyboard.press("Enter")
    watched.settle()
    watched.page.get_by_text("S10-4: may not be filled").first.wait_for(timeout=20_000)
    watched.check()


def test_the_answer_stands_on_the_first_screen_of_a_phone(browser, address):
    phone = Watched(browser, SIZES["phone"], address)
    phone.open("?unit=S10-4")
    box = phone.page.get_by_text("S10-4: may not be filled").first.bounding_box()
    assert box and box["y"] + box["height"] < 844 / 2
    phone.context.close()


def test_the_advice_answers_what_is_typed(watched):
    watched.open("?unit=T12-1")
    watched.page.get_by_label("Reads now, bar").fill("60")
    watched.page.keyboard.press("Enter")
    watched.settle()
    watched.page.get_by_text("Stop at ").first.wait_for(timeout=20_000)
    watched.check()
    watched.page.get_by_label("Reads now, bar").fill("1")
    watched.page.keyboard.press("Enter")
    watched.settle()
    watched.page.get_by_text("No pressure is advised").first.wait_for(timeout=20_000)
    assert watched.page.get_by_text("Stop at ").count() == 0


def test_the_local_network_sees_filling_and_fleet_alone_and_is_told_so(browser, published):
    served, address = serve(published, role="local_network")
    try:
        phone = Watched(browser, SIZES["phone"], address)
        phone.open()
        assert phone.page.get_by_text("without names of members").count() == 1
        assert [link.inner_text() for link in phone.page.locator("[data-testid=stPageLink]").all()] == [
            "Filling",
            "Fleet",
        ]
        assert "Anna" not in phone.page.content() and "Mallory" not in phone.page.content()
        phone.turn_to("Fleet")
        assert "Anna" not in phone.page.content() and "with a member" in phone.page.content()
        phone.check()
        phone.context.close()
    finally:
        served.terminate()
        served.wait(10)


def test_a_diver_who_types_another_address_stays_with_the_own_season(browser, published):
    served, address = serve(published, role="diver", member_id=ME)
    try:
        desk = Watched(browser, SIZES["desk"], address)
        desk.open("?season_of=m-bert&diver=m-bert&season_dive=m-bert-d03")
        assert "m-bert" not in desk.page.locator("[data-testid=stMain]").inner_text()
        desk.page.goto(f"{address}/divers")
        desk.settle()
        assert "Whose reserves run thin" not in desk.page.content()
        desk.context.close()
    finally:
        served.terminate()
        served.wait(10)
