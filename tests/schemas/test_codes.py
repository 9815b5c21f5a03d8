"""Sentences of codes: with the figures of their row, and whole without them."""

import ast
import math
from itertools import combinations
from pathlib import Path

import pandas as pd
import pytest

from schemas.codes import SEVERITIES, all_codes, codes_that, sentence, worst

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
    words = sentence("asked_above_permitted", {"target_pressure_bar": 207.4, "permitted_bar": 206.6})
    assert "207.4" in words and "206.6" in words
    assert sentence("asked_above_permitted", {"target_pressure_bar": 300.0, "permitted_bar": 232.0}) == (
        "Asked for 300 bar, more than it may hold: 232."
    )


# --- what a code means for others -------------------------------------------------------------
ROOT = Path(__file__).parents[2]
SOURCES_OF_PRODUCT = [p for package in ("schemas", "pipelines", "dashboard") for p in (ROOT / package).rglob("*.py")]
#: words that are both codes and states of a register or choices of a column
STATES_TOO = {"withdrawn", "condemned", "duplicate_dive", "duplicate_dive_other_clock"}


@pytest.mark.parametrize("code", OF_ROWS, ids=lambda c: c.code)
def test_a_code_of_a_row_declares_its_severity(code):
    assert code.severity in SEVERITIES


@pytest.mark.parametrize(
    "marked, at_least",
    [
        (codes_that(lambda c: c.forbids_filling), "stop"),
        (codes_that(lambda c: c.called_back), "stop"),
        (codes_that(lambda c: c.source_unknown), "attention"),
        (codes_that(lambda c: c.look_first), "attention"),
        (codes_that(lambda c: not c.inspection_clears), "stop"),
        (codes_that(lambda c: c.found_by), "attention"),
    ],
)
def test_what_a_code_does_agrees_with_its_severity(marked, at_least):
    assert marked
    for code in marked:
        assert SEVERITIES.index(all_codes()[code].severity) <= SEVERITIES.index(at_least), code


def test_an_open_finding_is_looked_at_first_and_what_folds_away_never_stops():
    assert codes_that(lambda c: c.open_finding) <= codes_that(lambda c: c.look_first)
    assert not codes_that(lambda c: c.minor and c.severity in ("stop", "attention"))
    assert not codes_that(lambda c: not c.inspection_clears and not c.forbids_filling)
    assert codes_that(lambda c: c.closed_loop) <= codes_that(lambda c: c.out_of_trend and c.no_margin)


@pytest.mark.parametrize("codes", list(combinations(["not_in_test", "arrived_empty", "short_fill", "hot_stop"], 2)))
def test_the_worst_of_some_codes_counts_whatever_their_order(codes):
    assert worst(codes) == worst(reversed(codes)) == all_codes()[codes[0]].severity


def test_no_code_gives_no_severity_and_one_that_nobody_declared_is_an_error():
    assert worst([]) is None
    with pytest.raises(KeyError):
        worst(["good", "hot_stop"])


def test_a_look_alike_of_a_code_is_not_that_code():
    """The compressor's air failed: that is no failed inspection, whatever its last word."""
    assert not all_codes()["compressor_air_failed"].forbids_filling
    assert not all_codes()["fill_air_failed"].forbids_filling


def constants(tree: ast.AST) -> list[tuple[int, str]]:
    """Line and text of the string constants that are no piece of a text with gaps."""
    pieces = {id(v) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for v in n.values}
    found = (n for n in ast.walk(tree) if isinstance(n, ast.Constant) and id(n) not in pieces)
    return [(n.lineno, n.value) for n in found if isinstance(n.value, str)]


def judged_by_ending(source: str) -> list[tuple[int, str]]:
    """Texts that begin with an underscore and that several codes end with."""
    return [
        (line, text)
        for line, text in constants(ast.parse(source))
        if text.startswith("_") and sum(code.endswith(text) for code in all_codes()) > 1
    ]


def lists_of_codes(source: str) -> list[tuple[int, list[str]]]:
    """Tuples, lists and sets of two codes of rows or more and nothing else."""
    found, judging = [], {c.code for c in OF_ROWS}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Tuple | ast.List | ast.Set):
            texts = [n.value if isinstance(n, ast.Constant) else None for n in node.elts]
            if len(texts) > 1 and judging.issuperset(texts) and not STATES_TOO.issuperset(texts):
                found.append((node.lineno, texts))
    return found


def test_nothing_is_judged_by_the_ending_of_a_code_nor_by_a_list_by_hand():
    """What a code means is declared with it: where two lists of one thing stand, one is forgotten."""
    for path in SOURCES_OF_PRODUCT:
        text = path.read_text(encoding="utf-8")
        for found in (judged_by_ending(text), lists_of_codes(text)):
            assert not found, f"{path.relative_to(ROOT)}: {found}: declare it as a field of schemas.codes.Code"


def test_an_ending_and_a_list_would_be_seen():
    assert judged_by_ending('ENDS = ("_failed", "_out_of_date")') and not judged_by_ending('f"{kind}_failed"')
    assert lists_of_codes('STOP = {"not_in_test", "co_above_limit"}') and not lists_of_codes('("stop", "short_fill")')
