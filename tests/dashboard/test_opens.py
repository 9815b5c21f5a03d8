"""Parts that open by a press: made once they do, by themselves, and never of an older snapshot than the newest."""

import browsing
import made_up
import pytest
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from test_pages import run, said

from dashboard import parts


@pytest.fixture
def as_people_do(all_open):
    opened, parts.is_open = parts.is_open, all_open
    yield
    parts.is_open = opened


@pytest.mark.parametrize(
    "page, role, state, opened, figures",
    [
        ("filling", "manager", {"filling_part": "season"}, {"blends_opens": True}, (0, 1)),
        ("filling", "manager", {"filling_part": "day"}, {"contents_opens": True}, (0, 1)),
        ("divers", "manager", {"divers_part": "one"}, {"surfacing_opens": True}, (2, 3)),
    ],
)
def test_a_figure_is_drawn_once_its_part_is_open(published, as_people_do, page, role, state, opened, figures):
    drawn = [len(run(published, page, role, **state, **more).get("plotly_chart")) for more in ({}, opened)]
    assert tuple(drawn) == figures


def test_a_part_whose_rows_are_damaged_says_so_and_the_rest_of_the_page_stands(tmp_path):
    made = made_up.publish(tmp_path)
    for file in (tmp_path / made.name / "dive_profile").glob("*.parquet"):
        file.write_bytes(file.read_bytes()[:-9])
    page = run(tmp_path, "divers", "manager", divers_part="one")
    text = said(page)
    assert "Not to be read" in text and "coldfill doctor --repair" in text and "What this diver breathes" in text
    assert len(page.get("segmented_control") or page.get("button_group")) == 1


def _note(data, alone):
    message = ForwardMsg.FromString(data)
    if message.WhichOneof("type") == "script_finished":
        alone.append(message.script_finished == ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY)


@pytest.mark.browser
def test_a_part_that_is_opened_is_drawn_alone_and_of_the_newest_snapshot(browser, tmp_path):
    published = tmp_path / "published"
    made_up.publish(published)
    served, address = browsing.serve(published, role="manager")
    page = browsing.Watched(browser, browsing.SIZES["desk"], address)
    alone = []  # of each run of the script, whether it was of a part
    page.page.on("websocket", lambda socket: socket.on("framereceived", lambda data: _note(data, alone)))
    try:
        page.open()
        page.page.get_by_role("radio", name="Over the season").click()
        page.settle()
        drawn = page.page.locator(".js-plotly-plot")
        assert drawn.count() == 0 and page.page.get_by_text("of 24 fills settle short").count() == 1
        page.page.get_by_text("Mix by mix, drawn").click()
        drawn.first.wait_for(timeout=20_000)
        page.settle()
        assert drawn.count() == 1 and alone[-2:] == [False, True]
        made_up.publish(published, name="2031-07-01T06:00:00.000002", fill_quality=made_up.fills().iloc[:12])
        page.page.get_by_text("Each gauge by month, drawn").click()
        page.page.get_by_text("of 12 fills settle short").wait_for(timeout=10_000)  # by itself it looks every 20 s
        page.settle()
        assert drawn.count() == 2
        page.check()
    finally:
        page.context.close()
        served.terminate()
        served.wait(10)


@pytest.mark.browser
def test_what_draws_is_fetched_once_a_page_is_left_alone_and_by_no_phone(browser, tmp_path):
    made_up.publish(tmp_path / "published")
    served, address = browsing.serve(tmp_path / "published", role="manager")
    sizes = (browsing.SIZES["phone"], browsing.SIZES["desk"])
    contexts = [browser.new_context(viewport={"width": size[0], "height": size[1]}) for size in sizes]
    phone, desk = (context.new_page() for context in contexts)
    asked = []
    phone.on("request", lambda request: asked.append(request.url))
    try:
        phone.goto(address)
        with desk.expect_response(lambda r: "PlotlyChart" in r.url and r.ok, timeout=20_000):
            desk.goto(address)
        assert asked and not [url for url in asked if "PlotlyChart" in url]
    finally:
        for context in contexts:
            context.close()
        served.terminate()
        served.wait(10)
