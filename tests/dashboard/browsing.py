"""A real browser and a served dashboard for the tests that need them."""

import os
import shutil
import socket
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
#: when a page last sent something to its station, and when anything came from there
LINE = """(() => {
  const line = window.line = { sent: 0, came: 0 }
  window.WebSocket = class extends WebSocket {
    constructor(...to) { super(...to); this.addEventListener("message", () => { line.came = performance.now() }) }
    send(data) { line.sent = performance.now(); super.send(data) }
  }
})()"""
#: ends once the script does not run and the page has been still for 80 ms, or 200 ms where the last that was said
#: between page and station is what the page sent: the answer is still to come, or there is none
QUIET = """() => new Promise((done, failed) => {
  const app = document.querySelector("[data-testid=stApp]")
  const still = () => app.dataset.testScriptState === "notRunning"
  const answered = () => window.line && line.came > line.sent
  let timer = 0, changed = performance.now()
  const again = () => { changed = performance.now(); clearTimeout(timer); timer = setTimeout(check, 80) }
  const observer = new MutationObserver(again)
  const check = () => {
    if (!still()) return again()
    if (!answered() && performance.now() - changed < 200) return timer = setTimeout(check, 40)
    observer.disconnect(); clearTimeout(limit); done((performance.now() - changed) / 1000)
  }
  const limit = setTimeout(() => { observer.disconnect(); failed(new Error("the page is never still")) }, 60000)
  observer.observe(document.body, { subtree: true, childList: true, attributes: true, characterData: true })
  again()
})"""
SIZES = {"desk": (1280, 900), "phone": (390, 844)}


#: ports that servers of this process had. A browser keeps what it has of an address, so the next server is read from
#: there: the scripts of the pages are megabytes, and to take them in anew is two seconds of a core
_PORTS: list[int] = []
#: emptied pages that tests have left, of each browser; the next test turns one to its address
_LEFT: dict[object, list] = {}


def _free(port):
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # connections that are over do not count
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True


def port_again():
    """A free port, one that was in use before if there is any."""
    port = next(filter(_free, _PORTS), None) or launch.free_port()
    if port not in _PORTS:
        _PORTS.append(port)
    return port


#: seconds between looks, for tests that wait for a page that turns by itself; `coldfill dashboard` leaves 20
SOON_AGAIN_S = 2


def serve(published, port=0, *, look_again=None, **asked):
    port = port or port_again()
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
    """Chromium without a window of its own, where that is installed: a page costs it a third."""
    return (
        os.environ.get("COLDFILL_CHROMIUM")
        or shutil.which("chromium-headless-shell")
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


def _new_page(browser):
    """One that fetches nothing ahead: half a second of a core, for a drawing that most tests never ask for."""
    context = browser.new_context()
    context.add_init_script(LINE)
    context.add_init_script("window.drawingIsReady = true")
    return context.new_page()


class Watched:
    """A page that remembers what should not happen, with nothing kept of an earlier visit.

    `close` leaves the page to the next test; where that must not be, close its `context`.
    """

    def __init__(self, browser, size, address, scheme="light"):
        self.scheme, self.address = scheme, address
        self._left = _LEFT.setdefault(browser, [])
        self.page = self._left.pop() if self._left else _new_page(browser)
        self.context = self.page.context
        self.page.set_viewport_size({"width": size[0], "height": size[1]})
        self.page.emulate_media(media="screen", color_scheme=scheme)
        self.wrong, self.asked = [], []
        self._heard = {
            "console": lambda m: self.wrong.append(m.text) if m.type == "error" else None,
            "pageerror": lambda e: self.wrong.append(str(e)),
            "dialog": lambda d: (self.wrong.append(f"a script ran: {d.message}"), d.dismiss()),
            "request": lambda r: self.asked.append(r.url),
        }
        for event, heard in self._heard.items():
            self.page.on(event, heard)

    def close(self):
        """Forget all that a browser keeps of a visit, except the files it has fetched."""
        for event, heard in self._heard.items():
            self.page.remove_listener(event, heard)
        self.context.set_offline(False)
        if self.page.url.startswith("http"):
            self.page.evaluate("() => { localStorage.clear(); sessionStorage.clear() }")
        self.page.goto("about:blank")
        self.context.clear_cookies()
        self._left.append(self.page)

    def open(self, path=""):
        self.page.goto(f"{self.address}/{path}")
        return self.settle()

    def settle(self):
        """Wait until the script has stopped and nothing on the page has changed for a moment; gives its seconds."""
        self.page.wait_for_selector("[data-testid=stApp]", state="attached", timeout=60_000)
        return self.page.evaluate(QUIET)

    def turn_to(self, name):
        self.page.get_by_role("link", name=name, exact=True).click()
        return self.settle()

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
