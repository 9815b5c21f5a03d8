"""The counts of a file, and what became of its rows since it was read."""

import pandas as pd

from dashboard.views.inbox import _still_open, answered_since

FILES = pd.DataFrame({"file": ["a.csv", "a.csv", "b.csv"], "file_sha256": ["1", "2", "3"], "rows_rejected": [2, 0, 1]})
WITHDRAWN = pd.DataFrame(
    {"source": ["fills", "files", "problems"], "files": [["b.csv"], ["a.csv"], ["a.csv"]], "key": ["f1", "2", "p"]}
)


def test_what_is_still_open_and_what_was_withdrawn_stand_beside_the_counts():
    still_open = pd.DataFrame({"file": ["a.csv", "a.csv"], "file_sha256": ["1", "1"]})
    found = answered_since(FILES, still_open, WITHDRAWN)
    assert found.to_dict("list") == {"open": [2, 0, 0], "gone": [0, 0, 1]}
    rows = FILES.assign(still_open=found["open"]).itertuples()
    assert [_still_open(row) for row in rows] == ["2 problems open", "", "all answered"]
    unknown = FILES.assign(still_open=0, rows_rejected=pd.array([pd.NA] * 3, dtype="Int64")).itertuples()
    assert {_still_open(row) for row in unknown} == {""}


def test_without_a_problem_and_for_who_may_not_see_withdrawals_nothing_is_said():
    none = pd.DataFrame({"file": [], "file_sha256": []})
    assert answered_since(FILES, none, None).to_numpy().sum() == 0
    assert answered_since(FILES.head(0), none, None).empty
