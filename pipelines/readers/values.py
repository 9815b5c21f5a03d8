"""From text to typed columns, a whole column at a time.

A value is either certain or refused with the rule it broke. Only distinct values that the fast path could
not read are looked at one by one.
"""

import math
import re
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.mapping import CLOCKS, DAY_NUMBER, Mapping, conversion, known_conversion, unit_ending
from pipelines.readers.raw import text_series

LONGEST_CELL = 10_000
LONGEST_KEY = 200
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$"
_COMMA_NUMBER = r"^[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?$"
_ISO = (
    r"^(?P<day>\d{4}-\d\d-\d\d)"
    r"(?:(?:[T ]|, ?)(?P<hour>\d{1,2}):(?P<minute>\d\d)(?::(?P<second>\d\d)(?P<fraction>[.,]\d{1,9})?)?)?"
    r" ?(?P<zone>[Zz]|UTC|[+-]\d\d(?::?\d\d)?)?$"
)
_DMY = re.compile(
    r"^\d{1,2}\s*[./\-]\s*(\d{1,2}|[A-Za-zéû]{3,9}\.?)\s*[./\-]\s*\d{2,4}\b|^\d{1,2}\.?\s+[A-Za-zéû]{3,9}\.?,?\s+\d{2,4}\b|^\d{4}/\d{1,2}/\d{1,2}"
)
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


def _each_distinct(column: pa.Array, rows: np.ndarray, judge) -> tuple[dict[int, Any], dict[int, tuple[str, dict]]]:
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
    good, bad = _each_distinct(column, rest, lambda text: judge_number(text, name, mapping, unit))
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
            return judge_number(with_unit.group(1).strip(), name, mapping)
        if meant:
            return "unit_in_cell", {"found": meant[0]}
    if re.match(r"^[+-]?\d+,\d+$|^[+-]?\d{1,3}(\.\d{3})+,\d+$|^,\d+$", text):
        return ("decimal_comma", {}) if not comma else ("thousands_separator", {"found": "."})
    if re.match(r"^[+-]?\d{1,3}([,.'\u00a0\u202f\u2009 ’]\d{3})+([.,]\d+)?$", text):
        return "thousands_separator", {"found": text.lstrip("+-0123456789")[0]}
    if comma and re.match(_NUMBER, text, re.ASCII):
        return "decimal_point", {}
    return "not_a_number", {}


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
    values = pd.array(np.where(_mask(yes), True, False), dtype="boolean")
    values[~(_mask(yes) | _mask(no))] = pd.NA
    return Typed(pd.Series(values), {int(i): ("not_true_or_false", {}) for i in rows})


def texts(column: pa.Array, name: str, mapping: Mapping, *, key: bool = False) -> Typed:
    """Text as written. Line breaks in free words become blanks; in names of things nothing unprintable is taken."""
    column = _translated(column, mapping.words.get(name, {}))
    column = pc.replace_substring_regex(column, r"[\r\n\t]+", " ")
    odd = pc.match_substring_regex(
        column, r"[\x00-\x1f\x7f\x{200b}-\x{200f}\x{202a}-\x{202e}\x{2066}-\x{2069}\x{fffe}\x{ffff}\x{fffd}]"
    )
    bad: dict[int, tuple[str, dict]] = {int(i): ("control_character", {}) for i in _indices(odd)}
    if key or name.endswith("_id"):
        long = _indices(pc.greater(pc.utf8_length(column), LONGEST_KEY))
        bad |= {int(i): ("cell_too_long", {"found": f"over {LONGEST_KEY}", "limit": LONGEST_KEY}) for i in long}
        bad |= {
            int(i): ("cell_error", {})
            for i in _indices(pc.match_substring_regex(column, r"^#(N/A|REF!|VALUE!|NAME\?|NUM!|DIV/0!|NULL!)$"))
        }
        bad |= {int(i): ("formula_in_cell", {}) for i in _indices(pc.match_substring_regex(column, r"^="))}
    return Typed(text_series(column), bad)


def _mask(column: pa.Array) -> np.ndarray:
    return pc.fill_null(column, False).to_numpy(zero_copy_only=False).astype(bool)


# --- times ------------------------------------------------------------------------------------
def strptime_of(written: str) -> str:
    """A format as people write it (`DD.MM.YYYY hh:mm`) as strptime's; one with a % is that already."""
    if "%" in written:
        return written
    out, rest = "", written
    table = (
        ("YYYY", "%Y"),
        ("YY", "%y"),
        ("MMM", "%b"),
        ("MM", "%m"),
        ("DD", "%d"),
        ("hh", "%H"),
        ("HH", "%H"),
        ("mm", "%M"),
        ("ss", "%S"),
        ("AM", "%p"),
        ("M", "%m"),
        ("D", "%d"),
        ("h", "%H"),
        ("H", "%H"),
    )
    while rest:
        word, code = next(((w, c) for w, c in table if rest.startswith(w)), (rest[0], rest[0]))
        out, rest = out + code, rest[len(word) :]
    return out.replace("%H", "%I") if "%p" in out else out


def times(column: pa.Array, name: str, mapping: Mapping, zone: str, *, day_only: bool) -> Typed:
    """Moments in UTC, or with `day_only` days at naive midnight.

    ISO 8601 always, else the format of the mapping; never a guess at the order of day and month. A time
    without a zone is local time of `zone`: of an hour that came twice the first is taken, of one that never
    was the hour after, both flagged.
    """
    size = len(column)
    flags: dict[str, np.ndarray] = {}
    bad: dict[int, tuple[str, dict]] = {}
    fmt = mapping.formats.get(name, "")
    local = pd.Series(pd.NaT, index=range(size), dtype="datetime64[us]")
    offset = np.full(size, np.nan)
    has_time = np.zeros(size, dtype=bool)

    if fmt and fmt != DAY_NUMBER:
        coded = strptime_of(fmt)
        read = _strptime(column, coded, size)
        done = read.notna().to_numpy()
        local[done] = read[done]
        has_time[done] = any(c in coded for c in ("%H", "%I", "%T", "%X"))
        column = pc.if_else(pa.array(done), None, column)
    elif fmt == DAY_NUMBER:
        days = numbers(column, "day", Mapping(mapping.source, decimal=mapping.decimal)).values
        done = ~np.isnan(days) & (days > 1) & (days < 110_000)
        # day 60 of the serial calendar is a leap day that never was; from day 61 on the count starts at 1899-12-30
        local[done] = (
            pd.Timestamp("1899-12-30") + pd.to_timedelta(np.round(days[done] * 86400.0, 1), unit="s")
        ).astype("datetime64[us]")
        has_time[done] = days[done] != np.floor(days[done])
        column = pc.if_else(pa.array(done), None, column)

    parts = pc.extract_regex(column, _ISO)
    fits = _mask(pc.is_valid(parts))
    if fits.any():
        _read_iso(parts, fits, local, offset, has_time, bad)
    months = _mask(pc.match_substring_regex(column, r"^\d{4}-\d\d$"))
    if months.any() and day_only:
        made = pd.to_datetime(
            pd.Series(pc.binary_join_element_wise(column, "01", "-").to_pandas()[months]),
            format="%Y-%m-%d",
            errors="coerce",
        )
        local[months] = made.astype("datetime64[us]").to_numpy()
        flags["month_without_day"] = months & local.notna().to_numpy()
    left = pc.is_valid(column).to_numpy(zero_copy_only=False) & local.isna().to_numpy()
    left[list(bad)] = False
    rows = np.flatnonzero(left)
    bad |= _each_distinct(column, rows, lambda text: _judge_time(text, day_only, fmt))[1]

    if day_only:
        late = has_time & (local.notna() & (local != local.dt.normalize())).to_numpy()
        bad |= {int(i): ("not_a_date", {}) for i in np.flatnonzero(late)}
        return Typed(local.dt.normalize(), bad, flags)
    no_time = local.notna().to_numpy() & ~has_time
    if no_time.any():
        local[no_time] = local[no_time] + pd.Timedelta(hours=12)
        flags["date_without_time"] = no_time
    return Typed(_to_utc(local, offset, zone, flags), bad, flags)


def _strptime(column: pa.Array, coded: str, size: int) -> pd.Series:
    text = pd.Series(column.to_pandas(), index=range(size))
    try:
        read = pd.to_datetime(text, format=coded, errors="coerce")
    except ValueError:
        return pd.Series(pd.NaT, index=range(size), dtype="datetime64[us]")
    if read.dt.tz is not None:
        read = read.dt.tz_convert("UTC").dt.tz_localize(None)
    return read.astype("datetime64[us]")


def _read_iso(parts, fits, local, offset, has_time, bad) -> None:
    get = {k: pc.struct_field(parts, k) for k in ("day", "hour", "minute", "second", "fraction", "zone")}
    day = pd.to_datetime(pd.Series(get["day"].to_pandas()), format="%Y-%m-%d", errors="coerce").astype("datetime64[us]")

    def number(key):
        text = get[key]
        return pc.cast(pc.if_else(pc.equal(text, ""), None, text), pa.float64()).to_numpy(zero_copy_only=False)

    hour, minute, second = number("hour"), number("minute"), number("second")
    fraction = pc.replace_substring(get["fraction"], ",", ".")
    part = pc.cast(pc.if_else(pc.equal(fraction, ""), None, fraction), pa.float64()).to_numpy(zero_copy_only=False)
    timed = ~np.isnan(hour)
    seconds = np.nan_to_num(hour) * 3600 + np.nan_to_num(minute) * 60 + np.nan_to_num(second)
    micro = np.round((seconds + np.nan_to_num(part)) * 1e6).astype("timedelta64[us]")
    year = day.dt.year
    wrong = fits & (
        ~((year >= 1900) & (year < 2200)).to_numpy()
        | (np.nan_to_num(hour) > 23)
        | (np.nan_to_num(minute) > 59)
        | (np.nan_to_num(second) > 59)
    )
    good = fits & ~wrong
    local[good] = (day + micro)[good]
    has_time[good] = timed[good]
    bad.update({int(i): ("impossible_date", {}) for i in np.flatnonzero(wrong)})
    zones = get["zone"]
    for text in pc.unique(zones).to_pylist():
        if text:
            here = _mask(pc.equal(zones, text))
            minutes = 0.0
            if text[0] in "+-":
                digits = text[1:].replace(":", "")
                minutes = (int(digits[:2]) * 60 + int(digits[2:] or 0)) * (-1 if text[0] == "-" else 1)
            if abs(minutes) > 14 * 60 or (text[0] in "+-" and int(text[1:].replace(":", "")[2:] or 0) > 59):
                local[here] = pd.NaT
                bad.update({int(i): ("impossible_date", {}) for i in np.flatnonzero(here)})
            else:
                offset[here & timed] = minutes


def _to_utc(local: pd.Series, offset: np.ndarray, zone: str, flags: dict[str, np.ndarray]) -> pd.Series:
    zoned = ~np.isnan(offset)
    utc = (local - pd.to_timedelta(np.nan_to_num(offset), unit="m").astype("timedelta64[us]")).dt.tz_localize("UTC")
    naive = local[~zoned & local.notna()]
    if len(naive):
        info = ZoneInfo(zone)
        first = naive.dt.tz_localize(info, ambiguous="NaT", nonexistent="NaT")
        open_ = first.isna()
        if open_.any():
            twice = naive[open_].dt.tz_localize(
                info, ambiguous=np.ones(int(open_.sum()), dtype=bool), nonexistent="NaT"
            )
            never = twice.isna()
            moved = naive[open_][never].dt.tz_localize(
                info, ambiguous=np.ones(int(never.sum()), dtype=bool), nonexistent=pd.Timedelta(hours=1)
            )
            first = first.astype("object")
            for part, code in ((twice[~never], "time_ambiguous"), (moved, "time_not_existing")):
                if len(part):
                    first[part.index] = part
                    flags[code] = np.isin(np.arange(len(local)), part.index.to_numpy())
            first = pd.to_datetime(first, utc=True)
        utc[naive.index] = first.dt.tz_convert("UTC").astype("datetime64[us, UTC]")
    return utc.astype("datetime64[us, UTC]")


def _judge_time(text: str, day_only: bool, fmt: str) -> tuple[str, dict]:
    if text.startswith("#"):
        return "cell_error", {}
    if text.startswith("="):
        return "formula_in_cell", {}
    if fmt:
        return "not_in_its_format", {"limit": fmt}
    if re.fullmatch(r"\d{1,6}([.,]\d+)?", text):
        return "date_is_number", {}
    if _DMY.match(text):
        return "date_order_unclear", {}
    if re.fullmatch(r"\d{4}-\d\d-?(\d\d)?.*", text):
        return "impossible_date" if re.fullmatch(
            r"\d{4}-\d\d(-\d\d)?", text
        ) and day_only else "not_a_time" if not day_only else "not_a_date", {}
    return ("not_a_date" if day_only else "not_a_time"), {}
