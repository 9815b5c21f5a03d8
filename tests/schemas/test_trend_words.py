"""What is said of a trend: how far, over what time, how surely, and nothing where too little is known."""

import pandas as pd
import pytest

from schemas.trend_words import basis, direction, headline, moved, recent, recent_basis, sentence, stretch
from shared.trend.level import NAMED_FROM_CHANCE

NOW = pd.Timestamp("2031-09-20 10:00", tz="UTC")
LONG_AGO, THIS_SPRING = NOW - pd.Timedelta(days=500), NOW - pd.Timedelta(days=140)
FALLING = {
    "started_at": NOW, "trend": "falling", "chance_risen": 0.04,
    "change_12m_pct": -27.2, "change_12m_low_pct": -32.4, "change_12m_high_pct": -21.3,
    "slope_pct_per_month": -1.94, "slope_low_pct": -2.9, "slope_high_pct": -1.0, "slope_sure": True,
}  # fmt: skip
STEADY = FALLING | {
    "trend": "steady", "chance_risen": 0.35,
    "change_12m_pct": -2.6, "change_12m_low_pct": -9.2, "change_12m_high_pct": 4.4,
    "slope_pct_per_month": 0.02, "slope_low_pct": -0.8, "slope_high_pct": 0.9, "slope_sure": False,
}  # fmt: skip
NAN = float("nan")
FEW = FALLING | {"trend": "too_few", "chance_risen": NAN, "change_12m_pct": NAN, "change_12m_low_pct": NAN,
                 "change_12m_high_pct": NAN}  # fmt: skip


def plain(text):
    return text.replace("\u00a0", " ").replace("\u2212", "-")


def test_a_change_reads_as_a_diver_asks():
    assert plain(sentence(FALLING, LONG_AGO)) == "Over the last 12 months: down 27 % (21 to 32), 80 % interval."
    assert plain(sentence(FALLING, THIS_SPRING)) == "Since 3 May 2031: down 27 % (21 to 32), 80 % interval."
    assert plain(recent(FALLING)) == "down 1.9 % a month"
    assert "sure: " in recent_basis(FALLING) and "not sure" in recent_basis(STEADY)
    assert plain(basis(FALLING)) == "80 % interval; chance that it fell: 96 %"


def test_an_interval_that_ends_at_no_change_says_so():
    assert plain(moved(2.0, 0.0, 4.0)) == "up 2 % (no change to up 4 %)"
    assert plain(moved(-2.0, -4.0, -1.0)) == "down 2 % (1 to 4)"


def test_of_a_steady_diver_no_more_is_made_than_there_is():
    assert sentence(STEADY, LONG_AGO) == "Over the last 12 months: no clear change."
    assert plain(basis(STEADY)) == "what was measured: down 3 % (down 9 % to up 4 %), 80 % interval; it may be chance"
    assert recent(STEADY) == "no change a month"


def test_by_name_a_change_must_be_surer():
    assert direction(FALLING) == "falling" and direction(FALLING, NAMED_FROM_CHANCE) == "steady"
    assert headline(FALLING | {"chance_risen": 0.02}, NAMED_FROM_CHANCE) == headline(FALLING)
    assert "over 99 %" in plain(basis(FALLING | {"chance_risen": 0.001}))


def test_where_too_little_is_known_that_is_said():
    said = sentence(FEW, THIS_SPRING)
    assert said == "Over the last 12 months: too few dives to say: it needs 8 over 90 days."
    assert recent(FEW) == "not known" and recent_basis(FEW) == ""
    assert basis(FEW) == "" and stretch(FEW, THIS_SPRING) == "the last 12 months"
    some = FEW | {"change_12m_pct": 8.0, "change_12m_low_pct": -11.0, "change_12m_high_pct": 31.0, "chance_risen": 0.6}
    assert direction(some) == "too_few" and "up 8" in plain(basis(some))
    missing = FALLING | {"slope_pct_per_month": NAN, "slope_low_pct": NAN}
    assert recent(missing) == "not known" and recent_basis(missing) == ""


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ((-27.2, -32.4, -21.3), "down 27 % (21 to 32)"),
        ((14.6, 3.2, 27.0), "up 15 % (3 to 27)"),
        ((0.2, -6.0, 6.1), "no change (down 6 % to up 6 %)"),
        ((-4.0, -8.0, 0.3), "down 4 % (down 8 % to no change)"),
        ((None, -8.0, 0.3), ""),
    ],
)
def test_changes_and_their_intervals(change, text):
    assert plain(moved(*change)) == text
