"""What has changed since yesterday: what lies before it is no news, and what nobody may see is not said."""

import pandas as pd
from made_up import NOW
from test_pages import run, said

from dashboard.since import changes

BEGIN, TODAY = pd.Timestamp("2031-06-29T00:00:00Z"), pd.Timestamp("2031-06-30")
BEFORE = BEGIN - pd.Timedelta(seconds=1)
FILLS = pd.DataFrame(
    {
        "unit_id": ["A", "B", "C", "OLD"],
        "filled_at": [BEGIN, NOW, NOW, BEFORE],
        "verdict": ["stop", "good", "attention", "stop"],
    }
)
HEALTH = pd.DataFrame(
    {
        "cylinder_id": ["today", "out", "long out", "soon", "long soon", "gone"],
        "status": ["in_service"] * 5 + ["withdrawn"],
        "days_to_due": pd.array([0, -1, -3, 59, 58, -1], dtype="Int64"),
        "inspection_state": ["due_soon", "out_of_date", "out_of_date", "due_soon", "due_soon", "out_of_date"],
    }
)
LIFE = pd.DataFrame(
    {
        "cylinder_id": ["A", "B", "C", "OLD"],
        "at": [BEGIN, NOW, NOW, BEFORE],
        "event": ["inspected_visual", "lent", "returned", "lent"],
        "code": ["fail", "m-anna", "m-anna", "m-anna"],
    }
)
TESTS = pd.DataFrame(
    {
        "compressor_id": ["comp-1", "comp-1", "comp-2", "comp-3"],
        "sampled_on": pd.to_datetime(["2031-06-29", "2031-06-29", "2031-06-30", "2031-06-28"]),
        "verdict": ["pass", "fail", "pass", "fail"],
    }
)
PROBLEMS = pd.DataFrame(
    {
        "first_seen_at": [BEGIN, BEGIN, BEFORE, BEFORE],
        "resolved_at": pd.to_datetime([None, NOW, None, NOW], utc=True),
        "dismissed_at": pd.to_datetime([None, None, NOW, None], utc=True),
    }
)


def test_news_is_what_happened_since_the_begin_of_yesterday_and_no_more():
    assert changes(BEGIN, TODAY, FILLS, HEALTH, LIFE, TESTS, PROBLEMS, 60) == [
        "Air test of comp-1 on 29 Jun 2031: failed: do not fill from it.",
        "Air test of comp-2 on 30 Jun 2031: nothing measured was beyond its limit.",
        "3 fills: 1 not to be handed over (A); 1 to be checked first (C); 1 with nothing found against it.",
        "Out of date now, may not be filled: out.",
        "Due within 60 days now: soon.",
        "Inspected: A (visual inspection, fail).",
        "Lent: B.",
        "Came back: C.",
        "Problems: 1 new in the files, see Inbox; 2 put right; 1 left as they are.",
    ]


def test_who_released_corrected_or_withdrew_what_and_why_is_news():
    releases = pd.DataFrame(
        {
            "fill_id": ["f1", "f0", "f2"],
            "unit_id": ["A", "A", None],
            "released_at": [BEGIN, BEFORE, NOW],
            "released_by": ["Ada", "Ada", "Bo"],
            "reason": ["bled to 200", "old", "read again"],
        }
    )
    corrections = pd.DataFrame(
        {
            "source": ["fills", "fills", "dive_tanks", "fills"],
            "key": ["f2", "f1", "d1", "f0"],
            "file": ["a.csv"] * 4,
            "received_at": [BEGIN, NOW, NOW, BEFORE],
        }
    )
    withdrawn = pd.DataFrame(
        {
            "source": ["fills", "problems", "fills"],
            "key": ["f9", "ab", "f8"],
            "withdrawn_at": [NOW, NOW, BEFORE],
            "withdrawn_by": ["Cy", "Cy", "Cy"],
            "reason": ["logged twice", "known", "old"],
            "files": [["a.csv"]] * 3,
        }
    )
    none = [frame.iloc[:0] for frame in (FILLS, HEALTH, LIFE)]
    assert changes(BEGIN, TODAY, *none, None, None, 60, releases, corrections, withdrawn) == [
        "Hold released: A (fill f1), by Ada: bled to 200.",
        "Hold released: not known (fill f2), by Bo: read again.",
        "Corrected by a newer row: 1 row of dive tanks (d1).",
        "Corrected by a newer row: 2 rows of fills (f1, f2).",
        "Withdrawn: f9 of fills, by Cy: logged twice.",
    ]


def test_nothing_new_is_nothing_said_and_so_is_what_may_not_be_seen():
    none = [frame.iloc[:0] for frame in (FILLS, HEALTH, LIFE)]
    assert changes(BEGIN, TODAY, *none, TESTS.iloc[:0], PROBLEMS.iloc[:0], 60) == []
    assert changes(BEGIN, TODAY, *none, None, None, 60) == []


def test_the_day_begins_with_it_and_without_names_on_the_local_network(published):
    assert "<h2>Since yesterday</h2>" in said(run(published, "today", "manager"))
    assert "m-anna" not in said(run(published, "today", "local_network"))
