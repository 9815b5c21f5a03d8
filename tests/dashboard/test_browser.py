"""The pages in a real browser: on a desk and on a phone, by keyboard, offline, with hostile names."""

import base64
import http.client
from urllib.parse import urlsplit

import pytest
from browsing import SIZES, Watched, serve
from made_up import ME

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def address(published):
    served, where = serve(published)
    yield where
    served.terminate()
    served.wait(10)


@pytest.fixture(params=SIZES)
def watched(request, browser, address):
    made = Watched(browser, SIZES[request.param], address)
    yield made
    made.close()


def test_a_page_that_tests_use_again_keeps_nothing_of_who_was_there(browser, address):
    kept = "() => [localStorage.length, sessionStorage.length, document.cookie.includes('of=before')]"
    before = Watched(browser, SIZES["phone"], address, "dark")
    before.page.goto(f"{address}/_stcore/health")
    before.page.evaluate("() => { localStorage.of = sessionStorage.of = document.cookie = 'of=before' }")
    before.context.set_offline(True)
    assert before.page.evaluate(kept) == [1, 1, True]
    before.close()
    after = Watched(browser, SIZES["desk"], address)
    assert after.page is before.page
    after.page.goto(f"{address}/_stcore/health")
    assert after.page.evaluate(kept) == [0, 0, False]
    assert after.page.evaluate("innerWidth") == SIZES["desk"][0]
    assert not after.page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    assert len(after.asked) == 1 and len(before.asked) == 1
    after.close()


def test_another_name_that_points_here_gets_no_answer(address):
    """DNS rebinding: the empty page is anybody's; what it is filled with comes by this connection alone."""
    here = urlsplit(address)
    upgrade = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13"}
    upgrade |= {"Sec-WebSocket-Key": base64.b64encode(bytes(16)).decode()}
    answers = []
    for host in (here.netloc, f"rebound.example:{here.port}"):
        asked = http.client.HTTPConnection(here.hostname, here.port, timeout=10)
        asked.request("GET", "/_stcore/stream", headers=upgrade | {"Host": host, "Origin": f"http://{host}"})
        answers.append(asked.getresponse().status)
        asked.close()
    assert answers == [101, 403]


def test_every_part_fits_a_desk(browser, address):
    """A phone: with axe, in test_accessible.py."""
    watched = Watched(browser, SIZES["desk"], address)
    watched.open("?unit=T12-1")
    for part in ("Held back", "Fills of a day", "Recipe", "Over the season", "Where to stop"):
        watched.page.get_by_text(part, exact=True).first.click()
        watched.settle()
        watched.check()
    watched.turn_to("Fleet")
    for part in ("Leaks in storage, short fills", "Visits and bookings", "One cylinder's life"):
        watched.page.get_by_text(part, exact=True).first.click()
        watched.settle()
        watched.check()
    watched.turn_to("My season")
    for part in ("How near each dive came", "One dive", "By cylinder", "Weighting and lift"):
        watched.page.get_by_text(part, exact=True).first.click()
        watched.settle()
        watched.check()
    watched.close()


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


def test_a_tap_on_a_unit_of_today_opens_what_is_next_for_it(browser, address):
    phone = Watched(browser, SIZES["phone"], address)
    phone.open("?units=us")
    phone.turn_to("Today")
    phone.page.get_by_test_id("stButtonGroup").get_by_text("A11-2", exact=True).first.click()
    phone.settle()
    assert "unit=A11-2" in phone.page.url and "units=us" in phone.page.url
    phone.page.get_by_text("Why it may be handed over").wait_for(timeout=20_000)  # it is held: its release stands there
    phone.close()


def test_the_answer_stands_on_the_first_screen_of_a_phone(browser, address):
    phone = Watched(browser, SIZES["phone"], address)
    phone.open("?unit=S10-4")
    box = phone.page.get_by_text("S10-4: may not be filled").first.bounding_box()
    assert box and box["y"] + box["height"] < 844 / 2
    phone.close()


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
    # by its own name the first page is the first page, with what was asked of it
    watched.open("filling?unit=T12-1&units=us")
    reads = watched.page.get_by_label("Reads now, psi")
    reads.fill("1,500")
    watched.page.keyboard.press("Enter")
    watched.settle()
    watched.page.get_by_text("1,500: a decimal comma or thousands?").first.wait_for(timeout=20_000)
    assert reads.input_value() == "1,500" and reads.get_attribute("inputmode") == "decimal"
    assert watched.page.get_by_text("Stop at ").count() == watched.page.get_by_role("dialog").count() == 0


def test_labels_are_printed_alone(browser, address):
    desk = Watched(browser, SIZES["desk"], address)
    desk.open()
    desk.page.get_by_text("Fills of a day", exact=True).first.click()
    desk.settle()
    desk.page.get_by_text("Labels to print").click()
    desk.settle()
    label, table = desk.page.locator(".label").first, desk.page.locator("table.rows").first
    assert label.is_visible() and table.is_visible()
    desk.check()
    desk.page.emulate_media(media="print")
    assert label.is_visible() and not table.is_visible()
    assert not desk.page.get_by_text("Which cylinder or set?").first.is_visible()
    desk.close()


def test_the_local_network_sees_what_is_done_at_the_compressor_alone_and_is_said_so(browser, published):
    served, address = serve(published, role="local_network")
    try:
        phone = Watched(browser, SIZES["phone"], address)
        phone.open()
        assert phone.page.get_by_text("without names of members").count() == 1
        assert [link.inner_text() for link in phone.page.locator("[data-testid=stPageLink]").all()] == [
            "Filling",
            "Today",
            "Fleet",
        ]
        assert "Anna" not in phone.page.content() and "Mallory" not in phone.page.content()
        phone.turn_to("Fleet")
        assert "Anna" not in phone.page.content() and "with a member" in phone.page.content()
        phone.check()
        phone.close()
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
        desk.close()
    finally:
        served.terminate()
        served.wait(10)


def test_a_choice_of_units_stands_in_the_address_and_outlives_the_visit(browser, address):
    phone = Watched(browser, SIZES["phone"], address)
    phone.open("?unit=T12-1")
    phone.page.get_by_role("button", name="Units").click()
    phone.settle()
    phone.page.get_by_text("us", exact=True).click()
    phone.settle()
    phone.page.keyboard.press("Escape")
    for page in ("Fleet", "Filling"):
        phone.turn_to(page)
        assert "units=us" in phone.page.url
    kept = phone.page.url.removeprefix(f"{address}/")
    phone.close()
    later = Watched(browser, SIZES["phone"], address)
    later.open(kept)
    assert later.page.get_by_role("button", name="Units: psi, ft").is_visible() and "units=us" in later.page.url
    later.page.get_by_label("Reads now, psi").wait_for()
    later.turn_to("Fleet")  # nobody has chosen on this visit: the address did
    assert "units=us" in later.page.url
    later.page.get_by_role("button", name="Units: psi, ft").click()
    later.settle()
    later.page.get_by_text("metric", exact=True).click()
    later.settle()
    assert later.page.get_by_role("button", name="Units: bar, m").count() and "units=" not in later.page.url
    later.close()
