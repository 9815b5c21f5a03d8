"""A real browser and a served dashboard for the tests that need them."""

import os
import shutil
import subprocess
import time
import urllib.request

import pytest

from dashboard import launch

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
#: ends once the script does not run and the page has been still for 200 ms (a request needs a moment to go out)
QUIET = """() => new Promise((done, failed) => {
  const app = document.querySelector("[data-testid=stApp]")
  const still = () => app.dataset.testScriptState === "notRunning"
  let timer = 0
  const again = () => { clearTimeout(timer); timer = setTimeout(check, 200) }
  const observer = new MutationObserver(again)
  const check = () => {
    if (!still()) return again()
    observer.disconnect(); clearTimeout(limit); done()
  }
  const limit = setTimeout(() => { observer.disconnect(); failed(new Error("the page is never still")) }, 60000)
  observer.observe(document.body, { subtree: true, childList: true, attributes: true, characterData: true })
  again()
})"""
SIZES = {"desk": (1280, 900), "phone": (390, 844)}


#: seconds between looks, for tests that wait for a page that turns by itself; `coldfill dashboard` leaves 20
SOON_AGAIN_S = 2


def serve(published, port=0, *, look_again=None, **asked):
    port = port or launch.free_port()
    served = subprocess.Popen(
        launch.command(published, port, **asked) + ([f"--look-again={look_again}"] if look_again else []),
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


def program():
    return (
        os.environ.get("COLDFILL_CHROMIUM")
        or shutil.which("chromium")
        or shutil.which("chromium-browser")
        or shutil.which("google-chrome")
    )


def opened(play, sync_api):
    """A browser, or the test is skipped."""
    try:
        return play.chromium.launch(executable_path=program(), args=FLAGS)
    except sync_api.Error as error:
        pytest.skip(f"no Chromium here: {error.message.splitlines()[0]}")


class Watched:
    """A page that remembers what should not happen."""

    def __init__(self, browser, size, address, scheme="light"):
        self.scheme = scheme
        self.context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
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
        """Wait until the script has stopped and nothing on the page has changed for a moment."""
        self.page.wait_for_selector("[data-testid=stApp]", state="attached", timeout=60_000)
        self.page.evaluate(QUIET)

    def turn_to(self, name):
        self.page.get_by_role("link", name=name, exact=True).click()
        self.settle()

    def check(self):
        assert self.page.locator("[data-testid=stException]").count() == 0
        assert not self.wrong, self.wrong
        assert [u for u in self.asked if not u.startswith(("data:", "blob:")) and "//127.0.0.1:" not in u] == []
        too_wide = self.page.evaluate(
            "(() => { const m = document.querySelector('[data-testid=stMain]'); return Math.max(m.scrollWidth - "
            "m.clientWidth,"
            " document.scrollingElement.scrollWidth - innerWidth) })()"
        )
        assert too_wide <= 0


#: what has the focus: its role and what it is called
FOCUSED = """() => { const e = document.activeElement
  if (!e || e === document.body) return ["", ""]
  const said = e.getAttribute("aria-label") || (e.labels && e.labels[0] && e.labels[0].innerText) || e.innerText || ""
  return [e.getAttribute("role") || e.tagName.toLowerCase(), e.tagName === "MAIN" ? "" : said.trim()] }"""


class Keys:
    """A reader who has a keyboard alone."""

    def __init__(self, watched):
        self.watched, self.page, self.pressed = watched, watched.page, 0

    def press(self, *keys):
        for key in keys:
            self.page.keyboard.press(key)
            self.pressed += 1

    def to(self, name, role="", most=60):
        """On with Tab until this has the focus."""
        for _ in range(most):
            self.press("Tab")
            is_role, said = self.page.evaluate(FOCUSED)
            if name in said and (not role or role == is_role):
                return
        raise AssertionError(f"{name} is not reached with Tab; on {self.page.evaluate(FOCUSED)}")

    def write(self, name, text):
        self.to(name)
        if self.page.evaluate("document.activeElement.value"):
            self.press("Control+A")
        self.page.keyboard.type(text)

    def pick(self, name, typed):
        """Of a list: type its beginning and take it."""
        self.write(name, typed)
        self.press("Enter")

    def part(self, name, of=""):
        """Of a row of choices the one of this name."""
        self.to(of, "radio")
        for _ in range(12):
            if self.page.evaluate(FOCUSED)[1] == name:
                break
            self.press("ArrowRight")
        assert self.page.evaluate(FOCUSED)[1] == name
        self.press("Space")
        self.watched.settle()
