"""What a station's own predictions turned out to be worth is said on Filling, and aloud where it was too little."""

from types import SimpleNamespace

import pytest

from dashboard.views.filling_season import track_record

POOR = {
    "station_id": "pier",
    "answers": 63,
    "answers_inside": 44,
    "predicted_off_bar": 1.3,
    "too_narrow": True,
    "biased": True,
    "shift_bar": -0.9,
    "widening": 1.25,
}


def said(**change):
    return " ".join(track_record(SimpleNamespace(**(POOR | change)))).replace("\u00a0", " ")


def test_too_narrow_and_biased_is_said_with_what_was_done_about_it():
    text = said()
    assert "44 of the latest 63 readings lay inside the 80 % interval" in text
    assert "The intervals promised too much" in text and "held 70 %" in text and "1.2 times as wide" in text
    assert "Predictions were 1.3 bar too high" in text and "moved by 0.9 bar" in text
    assert "too low" in said(predicted_off_bar=-1.3)


def test_a_good_record_is_put_plainly_and_none_not_at_all():
    text = said(answers_inside=51, too_narrow=False, biased=False)
    assert "51 of the latest 63" in text and "promised" not in text and "too high" not in text
    assert said(answers=0) == ""


@pytest.mark.parametrize("unknown", [None, float("nan")])
def test_an_unknown_width_or_shift_is_no_figure(unknown):
    text = said(widening=unknown, shift_bar=unknown)
    assert "nan" not in text.lower() and "None" not in text
