"""From text to moments and days, a whole column at a time; a day or time is certain or it is refused."""

import re
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipelines.readers.tables.mapping import DAY_NUMBER, Mapping
from pipelines.readers.tables.values import Typed, each_distinct, mask_of, numbers

_ISO = (
    r"^(?P<day>\d{4}-\d\d-\d\d)"
    r"(?:(?:[T ]|, ?)(?P<hour>\d{1,2}):(?P<minute>\d\d)(?::(?P<second>\d\d)(?P<fraction>[.,]\d{1,9})?)?)?"
    r" ?(?P<zone>[Zz]|UTC|[+-]\d\d(?::?\d\d)?)?$"
)
_DMY = re.compile(
    r"^\d{1,2}\s*[./\-]\s*(\d{1,2}|[A-Za-zéû]{3,9}\.?)\s*[./\-]\s*\d{2,4}\b|^\d{1,2}\.?\s+[A-Za-zéû]{3,9}\.?,?\s+\d{2,4}\b|^\d{4}/\d{1,2}/\d{1,2}"
)
_DIRECTIVES = {"day": "aAbBdeFjmyYDx", "time": "HIMSpfzZTXR"}


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


def _date_part(coded: str) -> str:
    """What is left of a format of date and time when no time is written; '' where they do not stand apart."""
    spans = {kind: [m.span() for m in re.finditer(f"%[{codes}]", coded)] for kind, codes in _DIRECTIVES.items()}
    day, time = spans["day"], spans["time"]
    if day and time and day[-1][1] <= time[0][0]:
        return coded[: time[0][0]].rstrip(" ,T")
    if day and time and time[-1][1] <= day[0][0]:
        return coded[time[-1][1] :].lstrip(" ,")
    return ""


def times(column: pa.Array, name: str, mapping: Mapping, zone: str, *, day_only: bool) -> Typed:
    """Moments in UTC, or with `day_only` days at naive midnight.

    ISO 8601 always, else the format of the mapping; never a guess at the order of day and month. A time
    without a zone is local time of `zone`: of an hour that came twice the first is taken, of one that never
    was the hour after, both flagged. Where a day is due, a time beside it is left out and flagged, unless the
    stamp's own zone makes it another day than the one in `zone`: then nobody can say which was meant.
    """
    size = len(column)
    flags: dict[str, np.ndarray] = {}
    bad: dict[int, tuple[str, dict]] = {}
    fmt = mapping.formats.get(name, "")
    local = np.full(size, np.datetime64("NaT", "us"))
    offset = np.full(size, np.nan)
    has_time = np.zeros(size, dtype=bool)

    if fmt and fmt != DAY_NUMBER:
        coded = strptime_of(fmt)
        ways = [(coded, any(c in coded for c in ("%H", "%I", "%T", "%X")))]
        if not day_only and _date_part(coded):  # the time is empty
            ways.append((_date_part(coded), False))
        for way, timed in ways:
            read, minutes = _strptime(column, way, size)
            done = ~np.isnat(read)
            local[done] = read[done]
            offset[done] = minutes[done]
            has_time[done] = timed
            column = pc.if_else(pa.array(done), None, column)
    elif fmt == DAY_NUMBER:
        days = numbers(column, "day", Mapping(mapping.source, decimal=mapping.decimal)).values
        done = ~np.isnan(days) & (days > 1) & (days < 110_000)
        # day 60 of the serial calendar is a leap day that never was; from day 61 on the count starts at 1899-12-30
        since = pd.to_timedelta(np.round(days[done] * 86400.0, 1), unit="s").to_numpy()
        local[done] = np.datetime64("1899-12-30", "us") + since.astype("timedelta64[us]")
        has_time[done] = days[done] != np.floor(days[done])
        column = pc.if_else(pa.array(done), None, column)

    parts = pc.extract_regex(column, _ISO)
    fits = mask_of(pc.is_valid(parts))
    if fits.any():
        _read_iso(parts, fits, local, offset, has_time, bad)
    months = mask_of(pc.match_substring_regex(column, r"^\d{4}-\d\d$"))
    if months.any() and day_only:
        local[months] = _days(pc.binary_join_element_wise(column, "01", "-").filter(pa.array(months)))
        flags["month_without_day"] = months & ~np.isnat(local)
    left = pc.is_valid(column).to_numpy(zero_copy_only=False) & np.isnat(local)
    left[list(bad)] = False
    rows = np.flatnonzero(left)
    bad |= each_distinct(column, rows, lambda text: _judge_time(text, day_only, fmt))[1]

    if day_only:
        day = _day_of(local)
        late = has_time & ~np.isnat(local) & (local != day)
        zoned = late & ~np.isnan(offset)
        utc = pd.DatetimeIndex(_to_utc(local[zoned], offset[zoned], zone, {}), tz="UTC")
        here = utc.tz_convert(ZoneInfo(zone)).tz_localize(None).to_numpy()
        other_day = np.flatnonzero(zoned)[_day_of(here) != day[zoned]]
        bad |= {int(i): ("day_unclear", {}) for i in other_day}
        late[other_day] = False
        if late.any():
            flags["time_left_out"] = late
        return Typed(pd.Series(day), bad, flags)
    no_time = ~np.isnat(local) & ~has_time
    if no_time.any():
        local[no_time] += np.timedelta64(12, "h")
        flags["date_without_time"] = no_time
    return Typed(pd.Series(pd.DatetimeIndex(_to_utc(local, offset, zone, flags), tz="UTC")), bad, flags)


def _days(text: pa.Array) -> NDArray:
    """Days written `YYYY-MM-DD`; NaT for one that is not in the calendar."""
    read = pd.to_datetime(text.to_numpy(zero_copy_only=False), format="%Y-%m-%d", errors="coerce")
    return read.to_numpy().astype("datetime64[us]")


def _day_of(moments: NDArray) -> NDArray:
    return moments.astype("datetime64[D]").astype("datetime64[us]")


def _strptime(column: pa.Array, coded: str, size: int) -> tuple[NDArray, NDArray]:
    """Clock times as written, and minutes ahead of UTC where the format holds a zone."""
    text = pd.Series(column.to_pandas(), index=range(size))
    minutes = np.full(size, np.nan)
    zoned = "%z" in coded or "%Z" in coded
    try:
        read = pd.to_datetime(text, format=coded, errors="coerce", utc=zoned)
        if not zoned:
            return read.astype("datetime64[us]").to_numpy(), minutes
        shifted = [pd.to_datetime(t, format=coded, errors="coerce") for t in text.where(read.notna())]
    except ValueError:
        return np.full(size, np.datetime64("NaT", "us")), minutes
    local = pd.Series([t if t is pd.NaT else t.tz_localize(None) for t in shifted], dtype="datetime64[us]")
    minutes = ((local - read.dt.tz_localize(None).astype("datetime64[us]")).dt.total_seconds() / 60.0).to_numpy()
    return local.to_numpy(), minutes


def _read_iso(parts, fits, local, offset, has_time, bad) -> None:
    get = {k: pc.struct_field(parts, k) for k in ("day", "hour", "minute", "second", "fraction", "zone")}
    day = _days(get["day"])

    def number(key):
        text = get[key]
        return pc.cast(pc.if_else(pc.equal(text, ""), None, text), pa.float64()).to_numpy(zero_copy_only=False)

    hour, minute, second = number("hour"), number("minute"), number("second")
    fraction = pc.replace_substring(get["fraction"], ",", ".")
    part = pc.cast(pc.if_else(pc.equal(fraction, ""), None, fraction), pa.float64()).to_numpy(zero_copy_only=False)
    timed = ~np.isnan(hour)
    seconds = np.nan_to_num(hour) * 3600 + np.nan_to_num(minute) * 60 + np.nan_to_num(second)
    micro = np.round((seconds + np.nan_to_num(part)) * 1e6).astype("timedelta64[us]")
    wrong = fits & (
        ~((day >= np.datetime64("1900-01-01")) & (day < np.datetime64("2200-01-01")))
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
            here = mask_of(pc.equal(zones, text))
            minutes = 0.0
            if text[0] in "+-":
                digits = text[1:].replace(":", "")
                minutes = (int(digits[:2]) * 60 + int(digits[2:] or 0)) * (-1 if text[0] == "-" else 1)
            if abs(minutes) > 14 * 60 or (text[0] in "+-" and int(text[1:].replace(":", "")[2:] or 0) > 59):
                local[here] = np.datetime64("NaT")
                bad.update({int(i): ("impossible_date", {}) for i in np.flatnonzero(here)})
            else:
                offset[here & timed] = minutes


def _to_utc(local: NDArray, offset: NDArray, zone: str, flags: dict[str, NDArray]) -> NDArray:
    """UTC, without saying so, of moments with an offset in minutes, or of `zone` where that is NaN."""
    ahead = pd.to_timedelta(np.nan_to_num(offset), unit="m").to_numpy().astype("timedelta64[us]")
    utc, naive = local - ahead, np.flatnonzero(np.isnan(offset) & ~np.isnat(local))
    if not naive.size:
        return utc
    info, written = ZoneInfo(zone), pd.DatetimeIndex(local[naive])
    first = written.tz_localize(info, ambiguous="NaT", nonexistent="NaT")
    utc[naive] = _in_utc(first)
    open_ = np.flatnonzero(first.isna())
    if open_.size:
        earlier = np.ones(open_.size, dtype=bool)
        twice = written[open_].tz_localize(info, ambiguous=earlier, nonexistent="NaT")
        never = np.asarray(twice.isna())
        moved = written[open_[never]].tz_localize(info, ambiguous=earlier[never], nonexistent=pd.Timedelta(hours=1))
        for part, which, code in (
            (twice[~never], open_[~never], "time_ambiguous"),
            (moved, open_[never], "time_not_existing"),
        ):
            if len(part):
                utc[naive[which]] = _in_utc(part)
                flags[code] = np.isin(np.arange(len(local)), naive[which])
    return utc


def _in_utc(moments: pd.DatetimeIndex) -> NDArray:
    return moments.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")


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
