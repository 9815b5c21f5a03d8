"""One UDDF dive → a row of dives, its dive_tanks and its dive_samples, or the reasons why not."""

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from pipelines.readers.uddf.parts import Context, Dive, child_of, numbers, value_of
from pipelines.readers.uddf.tanks import MOST_TANKS, read_tanks, tankdata_of
from pipelines.readers.uddf.walk import first_text, references
from pipelines.readers.uddf.waypoints import MOST_WAYPOINTS, Waypoints
from shared.gas.constants import ZERO_C_K

_MOMENT = re.compile(r"^\d{4}-?\d\d-?\d\d[T ]\d\d:?\d\d")
_MODES = {"closedcircuit": "closed_circuit", "semiclosedcircuit": "semi_closed"}
NEAR = 0.05
"""How near a ratio must come to a factor between units to be taken for it."""


def read_dive(element, points: Waypoints, context: Context) -> Dive:
    """Everything of one dive; a reason that rejects it leaves the rest of the file alone."""
    found = Dive(element.get("id") or "", element.sourceline)
    before = child_of(element, "informationbeforedive")
    after = child_of(element, "informationafterdive")
    parts = [before, element]
    found.waypoints_seen = points.count
    tankdata = tankdata_of(element, after, context.definitions)
    found.tanks_seen = len(tankdata)
    refs = references(element) + (references(before) if before is not None else [])
    found.owner_refs = [r for r in refs if r in context.definitions.owners]
    _start(found, parts, context)
    _surroundings(found, parts, refs, context)
    if points.count > MOST_WAYPOINTS:
        found.reject("uddf_too_many_waypoints", limit=MOST_WAYPOINTS)
    if len(tankdata) > MOST_TANKS:
        found.reject("uddf_too_many_tanks", limit=MOST_TANKS, value=len(tankdata))
    if found.rejected is None:
        _samples(found, points, context)
        _summary(found, [after, element], context)
    if found.rejected is None:
        read_tanks(found, tankdata, points, context)
        _merge_equal_times(found)
    return found


# --- when -------------------------------------------------------------------------------------
def _start(found: Dive, parts: list, context: Context) -> None:
    text = first_text(parts, "datetime")
    moment: dt.datetime | None = None
    if text is not None:
        if _MOMENT.match(text):
            try:
                moment = dt.datetime.fromisoformat(text.replace(" ", "T", 1))
            except ValueError:
                moment = None
    else:
        numbers = [
            first_text(parts, *p)
            for p in (("date", "year"), ("date", "month"), ("date", "day"), ("time", "hour"), ("time", "minute"))
        ]
        text = " ".join(t or "…" for t in numbers)
        if all(t is not None and t.isascii() and t.isdigit() for t in numbers):
            try:
                year, month, day, hour, minute = (int(t or 0) for t in numbers)
                moment = dt.datetime(year, month, day, hour, minute)
            except (ValueError, OverflowError):
                moment = None
    if moment is None or not 1900 <= moment.year <= 2200:
        found.reject("uddf_datetime_incomplete", column="started_at", value=text)
        return
    if moment.tzinfo is None:
        context.notes.add("zone_assumed")
        zone = ZoneInfo(context.zone)
        local_time = moment.replace(tzinfo=zone)
        if local_time.utcoffset() != local_time.replace(fold=1).utcoffset():
            back = local_time.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None)
            found.flags.append("time_ambiguous" if back == moment else "time_not_existing")
        moment = local_time
    found.row["started_at"] = moment.astimezone(dt.UTC)


# --- surroundings -----------------------------------------------------------------------------
def _surroundings(found: Dive, parts: list, refs: list[str], context: Context) -> None:
    pascal = value_of(
        found,
        "dives",
        "surface_pressure_bar_abs",
        first_text(parts, "surfacepressure"),
        "uddf_not_pascal",
        50_000,
        110_000,
        context,
    )
    kelvin = value_of(
        found, "dives", "air_c", first_text(parts, "airtemperature"), "uddf_not_kelvin", 223, 333, context
    )
    sites = [
        context.definitions.sites[r]["density"]
        for r in refs
        if r in context.definitions.sites and r not in context.definitions.twice
    ]
    dense = value_of(
        found,
        "dives",
        "water",
        next((s for s in sites if s), None) or first_text(parts, "density"),
        "uddf_not_kg_m3",
        990,
        1050,
        context,
    )
    found.row |= {
        "surface_pressure_bar_abs": None if pascal is None else pascal / 1e5,
        "air_c": None if kelvin is None else kelvin - ZERO_C_K,
        "water": None if dense is None else "fresh" if dense <= 1010 else "salt" if dense >= 1015 else None,
    }
    known = context.definitions.seen
    for ref in refs:
        if ref not in known or ref in context.definitions.twice:
            rule = "uddf_duplicate_id" if ref in context.definitions.twice else "uddf_dangling_ref"
            found.say("dives", rule, "value", line=found.line, value=ref)


# --- samples ----------------------------------------------------------------------------------
def _samples(found: Dive, points: Waypoints, context: Context) -> None:
    modes = [m for m in points.modes if m and m != "opencircuit"]
    if modes:
        found.flags.append("not_open_circuit")
    found.row["mode"] = _MODES.get(modes[0]) if modes else ("open_circuit" if points.modes else None)
    found.row["mandatory_stops"] = True if points.mandatory_stops else None
    line = np.array(points.line, dtype=np.int64)
    time, time_bad = numbers(points.time, context.decimal)
    depth, depth_bad = numbers(points.depth, context.decimal)
    kelvin, kelvin_bad = numbers(points.temperature, context.decimal)
    keep = np.ones(len(line), dtype=bool)

    def lose(mask: np.ndarray, rule: str, column: str, shown: list | np.ndarray) -> None:
        mask = mask & keep
        if mask.any():
            first = int(np.flatnonzero(mask)[0])
            found.say(
                "dive_samples",
                rule,
                row_number=first + 1,
                line=int(line[first]),
                column=column,
                value=shown[first],
                rows=int(mask.sum()),
            )
            keep[mask] = False

    lose(time_bad, "uddf_not_a_number", "t_s", points.time)
    lose(depth_bad, "uddf_not_a_number", "depth_m", points.depth)
    lose(np.isnan(time) | np.isnan(depth), "uddf_no_depth", "depth_m", points.depth)
    lose(depth < -0.5, "uddf_negative_depth", "depth_m", depth)
    zeroed = keep & (depth < 0)
    if zeroed.any():
        context.notes.add("surface_depth_zeroed")
        depth = np.where(zeroed, 0.0, depth)
    highest = np.maximum.accumulate(np.where(keep, time, -np.inf)) if len(time) else time
    lose(time < highest, "uddf_time_falls", "t_s", time)
    _drop_values(found, kelvin_bad & keep, "uddf_not_a_number", "water_c", points.temperature, line)
    not_kelvin = keep & ~np.isnan(kelvin) & ((kelvin < 268) | (kelvin > 313))
    low = kelvin[not_kelvin]
    _drop_values(
        found,
        not_kelvin,
        "uddf_not_kelvin",
        "water_c",
        points.temperature,
        line,
        guess=": it looks like Celsius or Fahrenheit" if len(low) and low.max() < 200 else "",
    )
    kelvin = np.where(not_kelvin, np.nan, kelvin)
    found.samples = {
        "place": np.arange(1, len(line) + 1),
        "line": line,
        "t_s": time,
        "depth_m": depth,
        "water_c": kelvin - ZERO_C_K,
        "keep": keep,
    }


def _drop_values(found: Dive, mask: np.ndarray, rule: str, column: str, shown, line, **words: Any) -> None:
    if mask.any():
        first = int(np.flatnonzero(mask)[0])
        found.say(
            "dive_samples",
            rule,
            "value",
            row_number=first + 1,
            line=int(line[first]),
            column=column,
            value=shown[first],
            rows=int(mask.sum()),
            **words,
        )


def _merge_equal_times(found: Dive) -> None:
    """Samples of one time become one, the last value given of each column; the others are counted as rejected."""
    columns = found.samples
    rows = np.flatnonzero(columns.pop("keep"))
    for name in columns:
        columns[name] = columns[name][rows]
    time = columns["t_s"]
    if not len(time):
        return
    last = np.append(time[1:] != time[:-1], True)
    if last.all():
        return
    for name, values in columns.items():
        if name in ("place", "line", "t_s"):
            continue
        # the last known value within each run of equal times: positions of known values, carried forward inside the run
        known = np.where(np.isnan(values), -1, np.arange(len(values)))
        run_starts = np.append(0, np.flatnonzero(last)[:-1] + 1)
        newest = np.maximum.reduceat(known, run_starts)
        columns[name] = np.where(newest >= 0, values[np.maximum(newest, 0)], np.nan)
    lost = ~last
    first = int(np.flatnonzero(lost)[0])
    found.say(
        "dive_samples",
        "uddf_same_time",
        row_number=int(columns["place"][first]),
        line=int(columns["line"][first]),
        column="t_s",
        value=float(time[first]),
        rows=int(lost.sum()),
    )
    for name in ("place", "line", "t_s"):
        columns[name] = columns[name][last]


def _summary(found: Dive, parts: list, context: Context) -> None:
    """The summary of a dive: its figures where there are no samples, a check of units where there are."""
    greatest = value_of(
        found, "dives", "max_depth_m", first_text(parts, "greatestdepth"), "out_of_bounds", 0, 10_000, context
    )
    mean = value_of(
        found, "dives", "mean_depth_m", first_text(parts, "averagedepth"), "out_of_bounds", 0, 10_000, context
    )
    seconds = value_of(
        found, "dives", "duration_min", first_text(parts, "diveduration"), "out_of_bounds", 0, 1e7, context
    )
    kelvin = value_of(
        found, "dives", "water_c", first_text(parts, "lowesttemperature"), "uddf_not_kelvin", 268, 313, context
    )
    keep = found.samples["keep"]
    if not keep.any():
        found.row |= {
            "max_depth_m": greatest,
            "mean_depth_m": mean,
            "duration_min": None if seconds is None else seconds / 60.0,
            "water_c": None if kelvin is None else kelvin - ZERO_C_K,
        }
        return
    deepest, last = float(found.samples["depth_m"][keep].max()), float(found.samples["t_s"][keep].max())
    for ours, theirs, factors, what in (
        (deepest, greatest, (3.28084, 0.3048), "depth"),
        (last, seconds, (60.0, 1 / 60.0), "duration"),
    ):
        if not theirs or not ours:
            continue
        ratio = ours / theirs
        if any(abs(ratio / f - 1) < NEAR for f in factors):
            found.reject("uddf_unit_conflict", found=f"{what} {ours:g} in the samples, {theirs:g} in the summary")
        elif abs(ratio - 1) > 0.05:
            found.flags.append("summary_differs")
    found.flags = list(dict.fromkeys(found.flags))
