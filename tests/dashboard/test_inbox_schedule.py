"""Inbox: whether runs begin by themselves, when the next is due and what went wrong; 'not known' where it is."""

import json

import made_up
import pandas as pd
import pytest
from made_up import HOSTILE, ME
from test_logging import MOMENT
from test_pages import run, said

from dashboard import entry_door
from schemas.schedule_note import RUNS, SERVING


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    folder = tmp_path_factory.mktemp("schedule") / "published"
    made_up.publish(folder)
    return folder


@pytest.fixture(autouse=True)
def _at_a_moment(station, monkeypatch):
    monkeypatch.setattr(entry_door, "now", lambda: MOMENT)
    for name in (SERVING, RUNS):
        (station / name).unlink(missing_ok=True)


def _at(minutes: float) -> str:
    return (MOMENT + pd.Timedelta(minutes=minutes)).isoformat()


def _told(station, heard: float = -0.5, **more) -> None:
    note = {"cron": "0 * * * *", "watch": True, "since": _at(-600), "heard_at": _at(heard), "next_due_at": _at(25)}
    (station / SERVING).write_text(json.dumps(note | more))


def _ran(station, *runs: dict) -> None:
    made = [{"name": f"run-{n}", "began_at": _at(-300 + n), "ended_at": _at(-299 + n), "failed": ""} | r
            for n, r in enumerate(runs)]  # fmt: skip
    (station / RUNS).write_text(json.dumps({"runs": made}))


def test_none_is_said(station):
    text = said(run(station, "inbox", "manager"))
    assert "No schedule has been served here" in text and "Next run due" not in text


def test_served_says_when_the_next_is_due_and_what_its_runs_came_to(station):
    _told(station)
    _ran(station, {"failed": f"disk full {HOSTILE}"}, {}, {"began_at": _at(-2), "ended_at": None})
    text = said(run(station, "inbox", "operator"))
    due = (MOMENT + pd.Timedelta(minutes=25)).tz_convert("Europe/Dublin")
    assert f"{due:%H:%M}" in text and "schedule 0 * * * *" in text
    assert "since" in text.split("At work now")[1][:60]
    assert "disk full" in text and "<img src=x" not in text and "at work" in text and "finished" in text


def test_a_last_run_that_failed_stands_first(station):
    _told(station)
    _ran(station, {}, {"failed": "disk full"})
    assert "Served, and the last run failed" in said(run(station, "inbox", "manager"))
    _told(station, missing_at=_at(-40))
    assert "A run did not come" in said(run(station, "inbox", "manager"))


@pytest.mark.parametrize("heard", [-30, 30, None], ids=["silent", "of the future", "damaged"])
def test_what_is_not_known_is_said_so(station, heard):
    _told(station, heard or 0)
    if heard is None:
        (station / SERVING).write_text("{")
    _ran(station, {"ended_at": None})
    text = said(run(station, "inbox", "manager"))
    assert "<strong>Not known</strong>" in text and "not known whether it has ended" in text
    for what in ("Next run due", "At work now"):
        assert "<dd>not known</dd>" in text.split(what)[1][:40]


def test_an_end_is_said_and_a_diver_sees_no_runs(station):
    _told(station, ended_at=_at(-1))
    _ran(station, {"ended_at": None})
    text = said(run(station, "inbox", "manager"))
    assert "nothing begins by itself since" in text and "broken off" in text
    assert "Runs that begin by themselves" not in said(run(station, "inbox", "diver", ME))
