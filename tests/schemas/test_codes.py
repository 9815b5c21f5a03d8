"""Sentences of codes: with the figures of their row, and whole without them."""

import math

import pandas as pd
import pytest

from schemas.codes import all_codes, sentence

OF_ROWS = [
    c
    for area in ("fills", "dives", "divers", "fleet")
    for c in __import__(f"schemas.codes.{area}", fromlist=["CODES"]).CODES
]
WITH_FIGURES = [c for c in OF_ROWS if c.figures]


def test_there_are_sentences_with_figures():
    assert len(WITH_FIGURES) > 8


@pytest.mark.parametrize("code", WITH_FIGURES, ids=lambda c: c.code)
def test_a_sentence_with_figures_has_a_general_one_that_says_the_same_without(code):
    assert code.general and "{" not in code.general and "…" not in code.general
    assert sentence(code.code) == code.general


@pytest.mark.parametrize("code", WITH_FIGURES, ids=lambda c: c.code)
@pytest.mark.parametrize("gap", [None, math.nan, pd.NA, pd.NaT], ids=["none", "nan", "na", "nat"])
def test_a_row_that_lacks_one_figure_gets_the_general_sentence(code, gap):
    whole = dict.fromkeys(code.figures, 12.0)
    assert "12" in sentence(code.code, whole)
    for name in code.figures:
        assert sentence(code.code, whole | {name: gap}) == code.general
        assert sentence(code.code, {k: v for k, v in whole.items() if k != name}) == code.general


def test_no_sentence_ever_shows_a_question_mark_for_a_figure():
    for code in all_codes().values():
        for row in (None, {}, dict.fromkeys(code.figures, None)):
            assert code.words(row).count("?") == code.says.count("?"), code.code


def test_two_pressures_that_differ_never_read_the_same():
    told = sentence("asked_above_permitted", {"target_pressure_bar": 207.4, "permitted_bar": 206.6})
    assert "207.4" in told and "206.6" in told
    assert sentence("asked_above_permitted", {"target_pressure_bar": 300.0, "permitted_bar": 232.0}) == (
        "Asked for 300 bar, more than it may hold: 232."
    )
