"""From text to typed columns, a whole column at a time.

A value is either certain or refused with the rule it broke. Only distinct values that the fast path could
not read are looked at one by one.
"""

import math
import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.raw import text_series
from pipelines.readers.tables.doubtful import asked_about
from pipelines.readers.tables.mapping import CLOCKS, Mapping, conversion, known_conversion, unit_ending
from schemas.written_text import CALL, LONGEST_KEY, NOTES, SPREADSHEET_ERROR, names_something

_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$"
_COMMA_NUMBER = r"^[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?$"
_BOUND = re.compile(r"^\s*(<=|>=|<|>|≤|≥|~|≈|±|ca\.?|approx\.?|about|c\.)\s*", re.IGNORECASE)
_WITH_UNIT = re.compile(r"^([+-]?[\d.,'\u00a0\u202f ]*\d)\s*([^\d\s.,'<>≤≥~][^\d]{0,11}[23³]?)$")


@dataclass
class Typed:
    """A column once typed: values, and for each row that could not be read the rule and its words."""

    values: Any
    bad: dict[int, tuple[str, dict]] = field(default_factory=dict)
    flags: dict[str, np.ndarray] = field(default_factory=dict)


def trimmed(column: pa.Array) -> pa.Array:
    """Text without blanks around it; what is empty then is null."""
    column = pc.utf8_trim_whitespace(column)
    return pc.if_else(pc.equal(column, ""), None, column)


def _indices(mask: pa.Array) -> np.ndarray:
    return np.flatnonzero(pc.fill_null(mask, False).to_numpy(zero_copy_only=False))


def each_distinct(column: pa.Array, rows: np.ndarray, judge) -> tuple[dict[int, Any], dict[int, tuple[str, dict]]]:
    """Judge distinct texts once: good values and broken rules by row."""
    good, bad, seen = {}, {}, {}
    for row, text in zip(rows.tolist(), column.take(pa.array(rows)).to_pylist(), strict=True):
        if text not in seen:
            seen[text] = judge(text)
        verdict = seen[text]
        if isinstance(verdict, tuple):
            bad[row] = verdict
        else:
            good[row] = verdict
    return good, bad


def numbers(column: pa.Array, name: str, mapping: Mapping, *, whole: bool = False) -> Typed:
    """Floats of a column in the contract's unit; NaN where empty or refused."""
    convert = None
    unit = mapping.units.get(name, "")
    if unit:
        convert = known_conversion(name, unit)[1]
    made = _plain_numbers(column, name, mapping, unit)
    asked = {i: why for i, why in asked_about(column, made.values, name, mapping).items() if i not in made.bad}
    if asked:
        made.values = made.values.copy()
        made.values[list(asked)] = np.nan
        made.bad |= asked
    if convert is not None:
        made.values = np.asarray(convert(made.values), dtype=float)
    if whole:
        off = np.flatnonzero(~np.isnan(made.values) & (made.values != np.round(made.values)))
        made.bad |= {int(i): ("not_a_whole_number", {}) for i in off}
    return made


def _plain_numbers(column: pa.Array, name: str, mapping: Mapping, unit: str) -> Typed:
    if unit in CLOCKS:
        return _clock_times(column, unit)
    if mapping.decimal == ".":
        try:
            values = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
            if not np.isinf(values).any() and np.isnan(values).sum() == column.null_count:
                return Typed(values)
        except pa.ArrowInvalid:
            pass
    comma = mapping.decimal == ","
    fits = pc.match_substring_regex(column, _COMMA_NUMBER if comma else _NUMBER)
    readable = pc.if_else(fits, column, None)
    if comma:
        readable = pc.replace_substring(readable, ",", ".")
    # Arrow reads neither a leading plus nor '5.' before an exponent the same in every release: normalise both
    readable = pc.replace_substring_regex(readable, r"^\+", "")
    values = pc.cast(readable, pa.float64()).to_numpy(zero_copy_only=False).copy()
    rest = np.union1d(_indices(pc.invert(fits)), np.flatnonzero(np.isinf(values)))
    values[rest] = np.nan
    good, bad = each_distinct(column, rest, lambda text: judge_number(text, name, mapping, unit))
    flags = {}
    if good:
        rows = np.fromiter(good, dtype=np.int64)
        values[rows] = [v[0] if isinstance(v, list) else v for v in good.values()]
        limits = [r for r, v in good.items() if isinstance(v, list)]
        if limits:
            flags["below_limit_of_detection"] = np.isin(np.arange(len(values)), limits)
    return Typed(values, bad, flags)


def _clock_times(column: pa.Array, written: str) -> Typed:
    """Durations written like a clock, in seconds."""
    shape = (
        r"^(?P<h>\d{1,4}):(?P<m>\d\d)(?P<s>)$"
        if written == "h:mm"
        else (r"^(?:(?P<h>\d{1,4}):)?(?P<m>\d{1,4}):(?P<s>\d\d(?:\.\d+)?)$")
    )
    parts = pc.extract_regex(column, shape)
    values = np.zeros(len(column))
    for name, seconds in (("h", 3600.0), ("m", 60.0), ("s", 1.0)):
        text = pc.struct_field(parts, name)
        part = pc.cast(pc.if_else(pc.equal(text, ""), "0", text), pa.float64()).to_numpy(zero_copy_only=False)
        values = values + part * seconds
    return Typed(
        values,
        {
            int(i): ("not_in_its_format", {"limit": written})
            for i in np.flatnonzero(np.isnan(values))
            if column[i].is_valid
        },
    )


def judge_number(text: str, name: str, mapping: Mapping, unit: str = "") -> Any:
    """A number not plainly written: its value, `[value]` for a laboratory's limit, or the rule it broke and words."""
    if text.startswith("#"):
        return "cell_error", {}
    if text.startswith("="):
        return "formula_in_cell", {}
    text = text.replace("\u2212", "-")
    bound = _BOUND.match(text)
    if bound:
        mark = bound.group(1)
        if mapping.less_than == "limit" and mark in ("<", "<=", "≤"):
            value = judge_number(text[bound.end() :], name, mapping, unit)
            return value if isinstance(value, tuple) else [value]
        return "not_exact", {"found": mark}
    comma = mapping.decimal == ","
    if re.match(_COMMA_NUMBER if comma else _NUMBER, text, re.ASCII):
        value = float(text.replace(",", "."))
        return value if math.isfinite(value) else ("not_finite", {})
    if mapping.thousands and re.match(
        rf"^[+-]?\d{{1,3}}({re.escape(mapping.thousands)}\d{{3}})+({re.escape(mapping.decimal)}\d+)?$", text, re.ASCII
    ):
        return float(text.replace(mapping.thousands, "").replace(",", "."))
    if text.casefold().lstrip("+-") in ("nan", "inf", "infinity", "1.#inf"):
        return "not_finite", {}
    with_unit = _WITH_UNIT.match(text)
    if with_unit and unit_ending(name):
        said = with_unit.group(2).strip()
        meant = conversion(name, said)
        if meant and unit and meant[0] == known_conversion(name, unit)[0]:
            return _repeating_its_unit(with_unit.group(1).strip(), name, mapping)
        if meant:
            return "unit_in_cell", {"found": meant[0]}
    if re.match(r"^[+-]?\d+,\d+$|^[+-]?\d{1,3}(\.\d{3})+,\d+$|^,\d+$", text):
        return ("decimal_comma", {}) if not comma else ("thousands_separator", {"found": "."})
    if re.match(r"^[+-]?\d{1,3}([,.'\u00a0\u202f\u2009 ’]\d{3})+([.,]\d+)?$", text):
        return "thousands_separator", {"found": text.lstrip("+-0123456789")[0]}
    if comma and re.match(_NUMBER, text, re.ASCII):
        return "decimal_point", {}
    return "not_a_number", {}


def _repeating_its_unit(text: str, name: str, mapping: Mapping) -> Any:
    value = judge_number(text, name, mapping)
    if isinstance(value, float):
        asked = asked_about(pa.array([text]), np.array([value]), name, mapping)
        return asked.get(0, value)
    return value


# --- words ------------------------------------------------------------------------------------
def _translated(column: pa.Array, words: dict[str, str]) -> pa.Array:
    if not words:
        return column
    lower = pc.utf8_lower(column)
    for theirs, ours in words.items():
        column = pc.if_else(pc.equal(lower, theirs.strip().lower()), ours, column)
    return trimmed(column)


def choices(column: pa.Array, name: str, mapping: Mapping, allowed: tuple[str, ...]) -> Typed:
    """One of the contract's words; case, blanks and hyphens do not count."""
    column = _translated(column, mapping.words.get(name, {}))
    plain = pc.replace_substring_regex(pc.utf8_lower(column), r"[\s\-]+", "_")
    known = pc.is_in(plain, value_set=pa.array(allowed, type=pa.string()))
    rows = _indices(pc.and_(pc.is_valid(column), pc.invert(known)))
    bad = {int(i): ("not_a_choice", {"limit": ", ".join(allowed)}) for i in rows}
    return Typed(text_series(pc.if_else(known, plain, None)), bad)


def truths(column: pa.Array, name: str, mapping: Mapping) -> Typed:
    """True, false or unknown."""
    column = _translated(column, mapping.words.get(name, {}))
    lower = pc.utf8_lower(column)
    yes = pc.is_in(lower, value_set=pa.array(["true", "yes", "y", "1", "1.0"]))
    no = pc.is_in(lower, value_set=pa.array(["false", "no", "n", "0", "0.0"]))
    rows = _indices(pc.and_(pc.is_valid(column), pc.invert(pc.or_(yes, no))))
    values = pd.array(np.where(mask_of(yes), True, False), dtype="boolean")
    values[~(mask_of(yes) | mask_of(no))] = pd.NA
    return Typed(pd.Series(values), {int(i): ("not_true_or_false", {}) for i in rows})


def texts(column: pa.Array, name: str, mapping: Mapping, *, key: bool = False) -> Typed:
    """Text as written. Line breaks in free words become blanks; in names of things nothing unprintable is taken.

    A name never begins with '='. A note may ('=5 bar low'); one that calls a function or another sheet is left
    out, and its row is kept.
    """
    column = _translated(column, mapping.words.get(name, {}))
    column = pc.replace_substring_regex(column, r"[\r\n\t]+", " ")
    if not pc.all(pc.string_is_ascii(column)).as_py():  # one letter is one, however the keyboard composed it
        column = pc.utf8_normalize(column, form="NFC")
    odd = pc.match_substring_regex(
        column, r"[\x00-\x1f\x7f\x{200b}-\x{200f}\x{202a}-\x{202e}\x{2066}-\x{2069}\x{feff}\x{fffe}\x{ffff}\x{fffd}]"
    )
    bad: dict[int, tuple[str, dict]] = {int(i): ("control_character", {}) for i in _indices(odd)}
    if names_something(name, (name,) if key else ()):
        long = _indices(pc.greater(pc.utf8_length(column), LONGEST_KEY))
        bad |= {int(i): ("cell_too_long", {"found": f"over {LONGEST_KEY}", "limit": LONGEST_KEY}) for i in long}
        bad |= {int(i): ("cell_error", {}) for i in _indices(pc.match_substring_regex(column, SPREADSHEET_ERROR))}
    note = name in NOTES
    formula = pc.match_substring_regex(column, CALL if note else r"^=")
    if mask_of(formula).any():
        words = {"severity": "value"} if note else {}
        bad |= {int(i): ("formula_in_cell", words) for i in _indices(formula)}
        column = pc.if_else(formula, None, column)
    return Typed(text_series(column), bad)


def mask_of(column: pa.Array) -> np.ndarray:
    return pc.fill_null(column, False).to_numpy(zero_copy_only=False).astype(bool)
