"""Every page as axe sees it and whether it fits, wide in the light, and every part of it on a phone in the dark.

COLDFILL_SOAK=full: every part in both widths and both themes.
"""

import os
from pathlib import Path

import pytest
from browsing import SIZES, Watched, serve
from made_up import ME

pytestmark = pytest.mark.browser
AXE = pytest.importorskip("axe_playwright_python", reason="axe is not installed: pip install 'coldfill[test]'")
#: of Streamlit's own field for a file, which a keyboard reaches by its button
NOT_OURS = ("presentation-role-conflict",)
FULL = os.environ.get("COLDFILL_SOAK") == "full"
LOOKS = [("desk", "light"), ("phone", "dark"), *[("desk", "dark"), ("phone", "light")] * FULL]
PARTS = {
    "Filling": ["Held back", "Fills of a day", "Where to stop", "Recipe", "Over the season", "Log it"],
    "Log it": ["Its analysis", "A settled reading", "A loan", "Its tag"],
    "Fleet": ["Leaks in storage, short fills", "Visits and bookings", "One cylinder's life"],
    "Divers": ["One diver"],
    "My season": ["How near each dive came", "One dive", "By cylinder", "Weighting and lift"],
}
#: what stands on each page
PAGES = {
    "Today": "Held back",
    "Fleet": "May not be filled",
    "Divers": "Whose reserves run thin",
    "My season": "What you breathe",
    "Air": "Fills to call back",
    "Inbox": "Rejected, and how to fix it",
}


@pytest.fixture(scope="module")
def served_as(published, published_empty):
    """Addresses of the pages as who asks for them sees them."""
    asked = {
        "alone": (published, {}),
        "diver": (published, {"role": "diver", "member_id": ME}),
        "new": (published_empty, {}),
    }
    running = {name: serve(folder, **more) for name, (folder, more) in asked.items()}
    yield {name: address for name, (_, address) in running.items()}
    for program, _ in running.values():
        program.terminate()
        program.wait(10)


@pytest.fixture(params=LOOKS, ids=lambda look: "-".join(look))
def look(request, browser):
    opened, (size, scheme) = [], request.param

    def at(address, path=""):
        watched = Watched(browser, SIZES[size], address, scheme)
        opened.append(watched)
        watched.open(path)
        return watched

    yield at
    for watched in opened:
        watched.close()


def found(watched) -> list[str]:
    """What axe finds against the page as it stands."""
    if not watched.page.evaluate("() => typeof axe === 'object'"):
        watched.page.evaluate((Path(AXE.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    seen = watched.page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in seen["violations"] if v["id"] not in NOT_OURS
    ]  # fmt: skip


def turn(watched, part):
    watched.page.get_by_role("radiogroup").get_by_text(part, exact=True).first.click()
    watched.settle()


def test_every_page_and_part_fits_and_stays_on_this_machine_and_axe_finds_nothing_against_it(look, served_as):
    """One visit: each stands with its words, is no wider than the screen, asks nothing of anybody else."""
    watched = look(served_as["alone"])
    phone = FULL or watched.page.viewport_size["width"] < 600
    watched.page.get_by_text("Do not hand over").first.wait_for(timeout=20_000)
    watched.check()
    watched.open("?unit=T12-1")
    against = {}

    def look_at(name):
        against[name] = found(watched)
        watched.check()

    for part in (*PARTS["Filling"], *PARTS["Log it"]) if phone else ("Log it",):
        turn(watched, part)
        look_at(part)
    for page, words in PAGES.items():
        watched.turn_to(page)
        watched.page.get_by_text(words).first.wait_for(timeout=20_000)
        look_at(page)
        for part in PARTS.get(page, []) if phone else []:
            turn(watched, part)
            look_at(part)
    assert not {name: seen for name, seen in against.items() if seen}


LIGHTNESS = "e => { const c = getComputedStyle(e)%s; return c.match(/[0-9.]+/g).slice(0, 3).map(Number) }"


def follows_the_readers_own_system(watched) -> bool:
    """Dark or light, charts included."""
    page = watched.page.locator("[data-testid=stApp]").evaluate(LIGHTNESS % ".backgroundColor")
    chart = watched.page.locator(".main-svg").first.evaluate(LIGHTNESS % ".background")
    words = watched.page.locator("[data-testid=stHtml] h2").first.evaluate(LIGHTNESS % ".color")
    assert page == chart
    return (sum(page) - sum(words)) * {"light": 1, "dark": -1}[watched.scheme] > 600


def test_axe_finds_nothing_against_first_steps_a_season_handing_in_and_other_units_dark_and_light(look, served_as):
    first = look(served_as["new"])
    own = look(served_as["diver"])
    assert follows_the_readers_own_system(own)
    against = {"first steps": found(first), "own season": found(own)}
    own.turn_to("Inbox")
    against["hand in"] = found(own)
    own.page.get_by_role("button", name="Units").click()
    own.settle()
    against["units"] = found(own)
    assert not {name: seen for name, seen in against.items() if seen}
