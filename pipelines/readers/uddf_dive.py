"""One UDDF dive → a row of dives, its dive_tanks and its dive_samples, or the reasons why not."""

import datetime as dt
import math
import re
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.raw import Problem, problem
from pipelines.readers.uddf_walk import MOST_WAYPOINTS, Definitions, Waypoints, first_text, local, own, references, tankdata
from shared.constants import AIR_O2_PCT, ATM_BAR, ZERO_C_K

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MOMENT = re.compile(r"^\d{4}-?\d\d-?\d\d[T ]\d\d:?\d\d")
MOST_TANKS = 6
ROLES = ("back", "stage", "deco", "bailout", "suit", "oxygen", "diluent")
_MODES = {"closedcircuit": "closed_circuit", "semiclosedcircuit": "semi_closed"}
NEAR = 0.05
"""How near a ratio must come to a factor between units to be taken for it."""


@dataclass
class Context:
    """What holds for all dives of a file."""

    definitions: Definitions
    zone: str
    pressure: str
    decimal: str
    roles: dict[str, str]
    notes: set[str] = field(default_factory=set)


@dataclass
class Dive:
    """A dive as read: `row` and `tanks` in contract columns but for the names of member, dive and unit."""

    ref: str
    line: int
    row: dict[str, Any] = field(default_factory=dict)
    tanks: list[dict[str, Any]] = field(default_factory=list)
    samples: dict[str, np.ndarray] = field(default_factory=dict)
    owner_refs: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    #: what is wrong: (source, problem); row numbers count within the dive until the file gives them
    problems: list[tuple[str, Problem]] = field(default_factory=list)
    #: the rule that rejects the dive and all that hangs on it
    rejected: Problem | None = None
    tanks_seen: int = 0
    waypoints_seen: int = 0

    def say(self, source: str, rule: str, severity: str = "row", **words: Any) -> None:
        """Add a problem."""
        self.problems.append((source, problem(rule, severity, **words)))

    def reject(self, rule: str, **words: Any) -> None:
        """Reject the dive; the first reason counts."""
        if self.rejected is None:
            self.rejected = problem(rule, line=self.line, **words)


def number(text: str | None, decimal: str = ".") -> float | None:
    """A number of the format's own grammar; None if it is none."""
    if text is None:
        return None
    text = text.strip()
    if decimal == ",":
        text = text.replace(",", ".", 1)
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def read_dive(element, points: Waypoints, context: Context) -> Dive:
    """Everything of one dive; a reason that rejects it leaves the rest of the file alone."""
    found = Dive(element.get("id") or "", element.sourceline)
    before = _child(element, "informationbeforedive")
    after = _child(element, "informationafterdive")
    parts = [before, element]
    found.waypoints_seen = points.count
    told = _tankdata_of(element, after, context.definitions)
    found.tanks_seen = len(told)
    refs = references(element) + (references(before) if before is not None else [])
    found.owner_refs = [r for r in refs if r in context.definitions.owners]
    _start(found, parts, context)
    _surroundings(found, parts, refs, context)
    if points.count > MOST_WAYPOINTS:
        found.reject("uddf_too_many_waypoints", limit=MOST_WAYPOINTS)
    if len(told) > MOST_TANKS:
        found.reject("uddf_too_many_tanks", limit=MOST_TANKS, value=len(told))
    if found.rejected is None:
        _samples(found, points, context)
        _summary(found, [after, element], context)
    if found.rejected is None:
        _tanks(found, told, points, context)
    return found


def _child(element, name: str):
    return next((c for c in own(element) if local(c) == name), None)


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
        told = [first_text(parts, *p) for p in (("date", "year"), ("date", "month"), ("date", "day"), ("time", "hour"), ("time", "minute"))]
        text = " ".join(t or "?" for t in told)
        if all(t is not None and t.isascii() and t.isdigit() for t in told):
            try:
                moment = dt.datetime(*(int(t) for t in told if t is not None))
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
    pascal = _value(found, "dives", "surface_pressure_bar_abs", first_text(parts, "surfacepressure"), "uddf_not_pascal", 50_000, 110_000, context)
    kelvin = _value(found, "dives", "air_c", first_text(parts, "airtemperature"), "uddf_not_kelvin", 223, 333, context)
    sites = [context.definitions.sites[r]["density"] for r in refs if r in context.definitions.sites and r not in context.definitions.twice]
    dense = _value(found, "dives", "water", next((s for s in sites if s), None) or first_text(parts, "density"), "uddf_not_kg_m3", 990, 1050, context)
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


def _value(found: Dive, source: str, column: str, text: str | None, rule: str, low: float, high: float, context: Context,
           line: int | None = None) -> float | None:
    """A number within bounds; otherwise the value is left out, with a reason."""
    if text is None:
        return None
    value = number(text, context.decimal)
    where = {"column": column, "value": text, "line": line or found.line}
    if value is None:
        found.say(source, "uddf_not_a_number", "value", **where)
    elif not low <= value <= high:
        guess = ": it looks like Celsius or Fahrenheit" if rule == "uddf_not_kelvin" and value < 200 else ""
        found.say(source, rule, "value", guess=guess, **where)
    else:
        return value
    return None


# --- samples ----------------------------------------------------------------------------------
def numbers(texts: list, decimal: str) -> tuple[np.ndarray, np.ndarray]:
    """Floats of a list of texts, and which of them are there but are no numbers."""
    column = pc.utf8_trim_whitespace(pa.array(texts, type=pa.string()))
    column = pc.if_else(pc.equal(column, ""), None, column)
    if decimal == ",":
        column = pc.replace_substring(column, ",", ".", max_replacements=1)
    try:
        values = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
        if np.isfinite(values).sum() == len(values) - column.null_count:
            return values, np.zeros(len(values), dtype=bool)
    except pa.ArrowInvalid:
        pass
    read = [None if t is None else number(t) for t in column.to_pylist()]
    values = np.array([math.nan if v is None else v for v in read], dtype=float)
    return values, np.isnan(values) & ~pc.is_null(column).to_numpy(zero_copy_only=False)


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
            found.say("dive_samples", rule, row_number=first + 1, line=int(line[first]), column=column, value=shown[first], rows=int(mask.sum()))
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
    _drop_values(found, not_kelvin, "uddf_not_kelvin", "water_c", points.temperature, line,
                 guess=": it looks like Celsius or Fahrenheit" if len(low) and low.max() < 200 else "")
    kelvin = np.where(not_kelvin, np.nan, kelvin)
    found.samples = {"place": np.arange(1, len(line) + 1), "line": line, "t_s": time, "depth_m": depth, "water_c": kelvin - ZERO_C_K,
                     "keep": keep}


def _drop_values(found: Dive, mask: np.ndarray, rule: str, column: str, shown, line, **words: Any) -> None:
    if mask.any():
        first = int(np.flatnonzero(mask)[0])
        found.say("dive_samples", rule, "value", row_number=first + 1, line=int(line[first]), column=column, value=shown[first],
                  rows=int(mask.sum()), **words)


def merge_equal_times(found: Dive) -> None:
    """Samples of one time become one, the last value given of each column; the others are counted as rejected."""
    told = found.samples
    rows = np.flatnonzero(told.pop("keep"))
    for name in told:
        told[name] = told[name][rows]
    time = told["t_s"]
    if not len(time):
        return
    last = np.append(time[1:] != time[:-1], True)
    if last.all():
        return
    for name, values in told.items():
        if name in ("place", "line", "t_s"):
            continue
        # the last known value within each run of equal times: positions of known values, carried forward inside the run
        known = np.where(np.isnan(values), -1, np.arange(len(values)))
        run_starts = np.append(0, np.flatnonzero(last)[:-1] + 1)
        newest = np.maximum.reduceat(known, run_starts)
        told[name] = np.where(newest >= 0, values[np.maximum(newest, 0)], np.nan)
    lost = ~last
    first = int(np.flatnonzero(lost)[0])
    found.say("dive_samples", "uddf_same_time", row_number=int(told["place"][first]), line=int(told["line"][first]), column="t_s",
              value=float(time[first]), rows=int(lost.sum()))
    for name in ("place", "line", "t_s"):
        told[name] = told[name][last]


def _summary(found: Dive, parts: list, context: Context) -> None:
    """The summary of a dive: its figures where there are no samples, a check of units where there are."""
    greatest = _value(found, "dives", "max_depth_m", first_text(parts, "greatestdepth"), "out_of_bounds", 0, 10_000, context)
    mean = _value(found, "dives", "mean_depth_m", first_text(parts, "averagedepth"), "out_of_bounds", 0, 10_000, context)
    seconds = _value(found, "dives", "duration_min", first_text(parts, "diveduration"), "out_of_bounds", 0, 1e7, context)
    kelvin = _value(found, "dives", "water_c", first_text(parts, "lowesttemperature"), "uddf_not_kelvin", 268, 313, context)
    keep = found.samples["keep"]
    if not keep.any():
        found.row |= {"max_depth_m": greatest, "mean_depth_m": mean, "duration_min": None if seconds is None else seconds / 60.0,
                      "water_c": None if kelvin is None else kelvin - ZERO_C_K}
        return
    deepest, last = float(found.samples["depth_m"][keep].max()), float(found.samples["t_s"][keep].max())
    for ours, theirs, factors, what in ((deepest, greatest, (3.28084, 0.3048), "depth"), (last, seconds, (60.0, 1 / 60.0), "duration")):
        if not theirs or not ours:
            continue
        ratio = ours / theirs
        if any(abs(ratio / f - 1) < NEAR for f in factors):
            found.reject("uddf_unit_conflict", found=f"{what} {ours:g} in the samples, {theirs:g} in the summary")
        elif abs(ratio - 1) > 0.05:
            found.flags.append("summary_differs")
    found.flags = list(dict.fromkeys(found.flags))


# --- tanks ------------------------------------------------------------------------------------
def _tankdata_of(element, after, definitions: Definitions) -> list[dict]:
    """The tankdata of a dive: its own, else (2.x) those among the gases that it points at."""
    told = [tankdata(c) for c in own(element) if local(c) == "tankdata"]
    if told:
        return told
    places = [element, _child(element, "equipmentused")]
    if after is not None:
        places.append(_child(after, "equipmentused"))
    pointed: list[dict] = []
    for ref in [r for p in places if p is not None for r in references(p)]:
        if ref in definitions.tankdata:
            hits = [definitions.tankdata[ref]]
        else:
            hits = [t for t in (*definitions.tankdata.values(), *definitions.tankdata_without_id) if ref in definitions.tanks and ref in t["refs"]]
        pointed += [h for h in hits if h not in pointed]
    return pointed


def _tanks(found: Dive, told: list[dict], points: Waypoints, context: Context) -> None:
    definitions = context.definitions
    lost: set[int] = set()
    for n, data in enumerate(told):
        data["no"] = n + 1
        bad = next((r for r in data["refs"] if r in definitions.twice or r not in definitions.seen), None)
        data["tank"] = next((r for r in data["refs"] if r in definitions.tanks), None)
        data["mix"] = next((r for r in data["refs"] if r in definitions.mixes), None)
        if bad is not None:
            rule = "uddf_duplicate_id" if bad in definitions.twice else "uddf_dangling_ref"
            found.say("dive_tanks", rule, row_number=n + 1, line=data["line"], column="unit_id", value=bad)
            lost.add(n)
    pressures = _pressures(found, told, points, context)
    single = len(told) == 1
    for n, data in enumerate(told):
        if n in lost:
            continue
        role = _role(data, single, context)
        if role is None:
            found.say("dive_tanks", "uddf_role_unknown", row_number=n + 1, line=data["line"], column="role", value=data["tank"] or data["id"] or f"tank {n + 1}")
            lost.add(n)
            continue
        found.tanks.append(_tank(found, data, role, pressures.get(n), single, points, context))
    if lost:
        found.flags.append("tank_rejected")
        for n in lost:
            found.samples.pop(f"tank_{n + 1}_bar", None)
    merge_equal_times(found)


def _role(data: dict, single: bool, context: Context) -> str | None:
    tank = context.definitions.tanks.get(data["tank"] or "", {})
    for name in (data["tank"], data["id"], tank.get("name"), tank.get("alias")):
        if name and name in context.roles:
            return context.roles[name]
    alias = (tank.get("alias") or "").strip().casefold()
    return alias if alias in ROLES else "back" if single else None


def _pressures(found: Dive, told: list[dict], points: Waypoints, context: Context) -> dict[int, np.ndarray]:
    """Readings of each tank over the samples, bar gauge, by place in `told`; those nobody can place are left out."""
    size = len(points.line)
    if not points.pressures:
        return {}
    by_tank: dict[str, list[int]] = {}
    for n, data in enumerate(told):
        if data["tank"]:
            by_tank.setdefault(data["tank"], []).append(n)
    by_data = {data["id"]: n for n, data in enumerate(told) if data["id"]}
    places: dict[tuple[str | None, str | None], int | str] = {}
    for pair in {(p[1], p[2]) for p in points.pressures}:
        places[pair] = _place(pair, len(told), by_tank, by_data, context.definitions)
    values, bad = numbers([p[3] for p in points.pressures], context.decimal)
    values = values / 1e5 - (ATM_BAR if context.pressure == "absolute" else 0.0)
    rows = np.array([p[0] for p in points.pressures], dtype=np.int64)
    # tank ids are many to one: give each pair a number once, then work on arrays
    numbered = {pair: n for n, pair in enumerate(places)}
    which = np.array([numbered[p[1], p[2]] for p in points.pressures], dtype=np.int64)
    inside = rows < size
    made: dict[int, np.ndarray] = {}
    for pair, place in places.items():
        mine = (which == numbered[pair]) & inside
        if not mine.any():
            continue
        first = int(np.flatnonzero(mine)[0])
        where = {"row_number": int(rows[first]) + 1, "line": points.line[int(rows[first])]}
        if isinstance(place, str):
            found.say("dive_samples", place, "value", column="tank_bar", value=" and ".join(r for r in pair if r) or "no reference",
                      rows=int(mine.sum()), **where)
            continue
        wrong = mine & bad
        if wrong.any():
            first = int(np.flatnonzero(wrong)[0])
            found.say("dive_samples", "uddf_not_a_number", "value", row_number=int(rows[first]) + 1, line=points.line[int(rows[first])],
                      column=f"tank_{place + 1}_bar", value=points.pressures[first][3], rows=int(wrong.sum()))
        line = made.setdefault(place, np.full(size, np.nan))
        line[rows[mine]] = values[mine]
    return made


def _place(pair, count: int, by_tank: dict, by_data: dict, definitions: Definitions) -> int | str:
    """The tank a reading belongs to, or the rule that says why none."""
    ref, other = pair
    if ref and other and ref != other:
        return "uddf_ref_conflict"
    ref = ref or other
    if not ref:
        return 0 if count == 1 else "uddf_tank_unclear"
    if ref in definitions.twice:
        return "uddf_duplicate_id"
    if ref in by_tank:
        return by_tank[ref][0] if len(by_tank[ref]) == 1 else "uddf_tank_unclear"
    return by_data.get(ref, "uddf_dangling_ref")


def _tank(found: Dive, data: dict, role: str, readings: np.ndarray | None, single: bool, points: Waypoints, context: Context) -> dict:
    n, line = data["no"], data["line"]
    tank = context.definitions.tanks.get(data["tank"] or "", {})
    flags: list[str] = []

    def ask(column: str, text: str | None, rule: str, low: float, high: float) -> float | None:
        before = len(found.problems)
        value = _value(found, "dive_tanks", column, text, rule, low, high, context, line)
        for _, what in found.problems[before:]:
            what.row_number = n
        return value

    volume = ask("water_capacity_l", data["volume"] or tank.get("volume"), "uddf_not_m3", 0.0003, 0.06)
    start, end = (ask(c, data[k], "uddf_not_pascal", -math.inf, math.inf) for c, k in (("start_pressure_bar", "begin"), ("end_pressure_bar", "end")))
    shift = ATM_BAR if context.pressure == "absolute" else 0.0
    start_bar, end_bar = (None if p is None else p / 1e5 - shift for p in (start, end))
    if context.pressure != "absolute" and (start is not None or readings is not None):
        context.notes.add("pressures_taken_as_gauge")
    seen = [p for p in (start_bar, end_bar) if p is not None]
    if readings is not None and np.isfinite(readings).any():
        seen.append(float(np.nanmax(readings)))
    if seen and not 10.0 - shift <= max(seen) <= 400.0:
        shown = (max(seen) + shift) * 1e5
        guess = ": it looks like bar, psi or kPa" if max(seen) < 10 else ""
        found.say("dive_tanks", "uddf_not_pascal", "value", row_number=n, line=line, column="start_pressure_bar", value=f"{shown:g}", guess=guess)
        start_bar = end_bar = readings = None
        found.flags.append("tank_rejected") if role not in ("suit",) else None
    if readings is not None:
        found.samples[f"tank_{n}_bar"] = readings
        known = np.flatnonzero(np.isfinite(readings) & found.samples["keep"])
        if end_bar is None and len(known):
            end_bar = float(readings[known[-1]])
            flags.append("end_from_samples")
    o2, he, ar = _gas(found, data, single, points, context, flags)
    return {"place": n, "line": line, "tank_ref": data["tank"], "tank_no": n, "role": role,
            "water_capacity_l": None if volume is None else volume * 1000.0, "o2_pct": o2, "he_pct": he, "ar_pct": ar,
            "start_pressure_bar": start_bar, "end_pressure_bar": end_bar, "flags": flags}


def _gas(found: Dive, data: dict, single: bool, points: Waypoints, context: Context, flags: list[str]):
    """Oxygen, helium and argon in per cent; None where not known."""
    definitions = context.definitions
    mix = data["mix"]
    if mix is None and single and points.switches:
        ref = points.switches[0][1]
        if ref in definitions.mixes and ref not in definitions.twice:
            mix = ref
            flags.append("gas_from_switch")
    if mix is None:
        if single or not definitions.has_gases:
            flags.append("air_assumed")
            return AIR_O2_PCT, 0.0, None
        return None, None, None
    told = definitions.mixes[mix]
    parts = {k: number(told[k], context.decimal) for k in ("o2", "n2", "he", "ar", "h2")}
    given = {k: v for k, v in parts.items() if v is not None}
    total = sum(given.values())
    whole = "n2" in given
    wrong = (any(told[k] is not None and parts[k] is None for k in parts) or any(not 0 <= v <= 1 for v in given.values())
             or (abs(total - 1) > 0.01 if whole else total > 1.01) or given.get("h2", 0) > 0 or "o2" not in given)
    if wrong:
        found.say("dive_tanks", "uddf_not_fraction", "value", row_number=data["no"], line=told["line"], column="o2_pct", value=mix)
        return None, None, None
    he = given.get("he", 0.0 if whole or abs(total - 1) <= 0.01 else None)
    return given["o2"] * 100.0, None if he is None else he * 100.0, None if "ar" not in given else given["ar"] * 100.0
