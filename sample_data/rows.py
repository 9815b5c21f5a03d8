"""From what truly happened to what people and computers wrote down."""

from dataclasses import dataclass

import numpy as np

from sample_data.diving import ROLES
from sample_data.filling import GAS_NAMES, GAUGE_OF, METHOD, SOURCE_NAMES
from sample_data.gas import AIR_O2
from sample_data.profiles import DT
from sample_data.station import STATION_ID, Member
from sample_data.weather import local, offsets_s

OPERATORS = ["M01", "M06", "M08", "M10"]
NOMINAL = {"air": 21, "n32": 32, "c32": 32, "n50": 50, "n36": 36, "tx1845": 18, "argon": 0}


def fill_ids(count):
    """Fill ids in the order of time; longer ones where four digits would meet the planted bad rows (F9001 …)."""
    width = 4 if count < 9000 else 7
    return np.array([f"F{k:0{width}d}" for k in range(1, count + 1)], object)


def fill_rows(season, rng, planted=True):
    """Contract columns of all fills in the order of time, as arrays; NaN, None and 0 seconds are empty."""
    f = season.fills
    n = len(f)
    unit_owner = [season.fleet[season.bodies[u][0]].row["owner_id"] for u in season.units]
    twin = [len(season.bodies[u]) == 2 for u in season.units]
    air, argon, trimix = (GAS_NAMES.index(g) for g in ("air", "argon", "tx1845"))
    nan = float("nan")
    operator = np.zeros(n, np.int8)
    column = {
        name: np.full(n, nan)
        for name in (
            "ambient_c",
            "wall_c",
            "fill_minutes",
            "analysed_o2_pct",
            "analysed_he_pct",
            "second_analysed_o2_pct",
            "co_ppm",
        )
    }
    ambient, wall, minutes, first_o2, first_he, second_o2, co = column.values()
    analysed_s, settled_s = np.zeros(n, np.int64), f["settled_s"].copy()
    on_check_gauge = np.zeros(n, bool)
    checked = ((f["gas"] != air) | f["residue_other"]) & ~f["no_analysis"]
    true = (
        f[name].tolist()
        for name in ("gas", "filled_s", "settled_s", "ambient_true_c", "wall_true_c", "minutes", "o2_true", "he_true")
    )
    chance, normal, whole = rng.random, rng.normal, rng.integers
    for k, (gas, filled, settled, room_c, wall_c, took, o2, he) in enumerate(zip(*true, strict=True)):
        operator[k] = whole(len(OPERATORS))
        ambient[k] = round(room_c + normal(0, 0.7))
        if chance() < 0.13:
            wall[k] = round(wall_c + normal(0, 0.6), 1)
        if chance() < 0.93:
            minutes[k] = max(1, round(took + normal(0, 0.4)))
        if checked[k]:
            first_o2[k] = 0.0 if gas == argon else round(o2 * 100 + normal(0, 0.15), 1)
            if gas == trimix:
                first_he[k] = round(he * 100 + normal(0, 0.3), 1)
            analysed_s[k] = filled + int(rng.uniform(4, 40) * 60)
        if chance() < 0.15:
            co[k] = round(abs(normal(0.8, 0.5)), 1)
        if settled:
            on_check_gauge[k] = chance() < 0.6
            if chance() < 0.06:
                settled_s[k] = 0  # the reading stands there without its time
        if f["sides_differ"][k] and planted:
            second_o2[k] = round(first_o2[k] - 1.6, 1)
        elif checked[k] and twin[f["unit"][k]] and chance() < 0.15:
            second_o2[k] = round(first_o2[k] + (-0.1, 0, 0, 0.1)[whole(4)], 1)
    # a careful station analyses what it fills for the first time: nobody knows what was left inside
    apart = rng.spawn(1)[0]  # the other draws stay as they are
    for k in np.sort(np.unique(f["unit"], return_index=True)[1]).tolist():
        if checked[k] or f["no_analysis"][k] or f["gas"][k] == argon:
            continue
        first_o2[k] = round(f["o2_true"][k] * 100 + apart.normal(0, 0.15), 1)
        first_he[k] = round(f["he_true"][k] * 100)
        analysed_s[k] = f["filled_s"][k] + int(apart.uniform(4, 40) * 60)
    operators = np.array(OPERATORS, object)[operator]
    gases = np.array(GAS_NAMES, object)[f["gas"]]
    sources = np.array(SOURCE_NAMES, object)[f["source"]]
    ids = np.array([*(m.member_id for m in season.people), None], object)
    owner = np.array([None if o == "station" else o for o in unit_owner], object)[f["unit"]]
    return dict(
        fill_id=fill_ids(n),
        filled_s=f["filled_s"],
        unit_id=np.array(season.units, object)[f["unit"]],
        station_id=np.full(n, STATION_ID, object),
        operator=operators,
        source_id=sources,
        fill_method=_by(METHOD, gases),
        start_pressure_bar=f["start_bar"],
        target_pressure_bar=f["target_bar"],
        stop_pressure_bar=f["stop_bar"],
        second_stop_pressure_bar=f["second_stop_bar"],
        gauge_id=_by(GAUGE_OF, sources),
        ambient_c=column["ambient_c"],
        wall_c=column["wall_c"],
        fill_minutes=column["fill_minutes"],
        target_o2_pct=_by(NOMINAL, gases).astype(float),
        target_he_pct=np.where(f["gas"] == trimix, 45.0, np.nan),
        target_ar_pct=np.where(f["gas"] == argon, 100.0, np.nan),
        analysed_o2_pct=column["analysed_o2_pct"],
        analysed_he_pct=column["analysed_he_pct"],
        second_analysed_o2_pct=column["second_analysed_o2_pct"],
        analysed_by=np.where(analysed_s > 0, operators, None),
        analysed_s=analysed_s,
        co_ppm=column["co_ppm"],
        settled_pressure_bar=f["settled_bar"],
        settled_c=f["settled_c"],
        settled_s=settled_s,
        settled_gauge_id=np.where(on_check_gauge, "check-1", None),
        member_id=np.where((f["member"] < 0) | (owner == None), ids[f["member"]], owner),  # noqa: E711  # array
    )


def _by(mapping, names):
    """mapping[name] of many names."""
    known, place = np.unique(names.astype(str), return_inverse=True)
    return np.array([mapping[str(k)] for k in known], object)[place]


@dataclass(slots=True)
class Tank:
    """A cylinder or set as the dive's logger has it. Pressures over time are in Logged.bars."""

    unit_id: str
    role: str
    litres: float
    argon: bool
    o2: float
    he: float
    start_bar: float
    end_bar: float
    measured: bool
    second_end: float | None = None


@dataclass(slots=True)
class Logged:
    """A dive as its logger holds it; samples are arrays, NaN where nothing was noted."""

    member: Member
    dive_id: str
    number: int
    started_s: int
    tanks: list[Tank]
    t_s: np.ndarray
    depth_m: np.ndarray
    water_c: np.ndarray
    bars: list[np.ndarray]
    air_c: float
    surface_bar: float
    max_depth: float
    mean_depth: float
    minutes: float
    water_low: float
    deep: bool
    shared: bool
    water: str = "salt"
    team_size: int = 2
    in_bar: bool = False  # the file holds bar where pascal belong


def _seen(true_t, true_bar, sample_t, step, offset, rng, trouble):
    """Transmitter readings: interpolated, quantised; some blocks missing, a few spikes, some that join late."""
    bar = np.interp(sample_t, true_t, true_bar) + offset
    seen = np.maximum(np.round(bar / step) * step, 0)
    if trouble:
        kind = rng.random()
        if kind < 0.5:
            for _ in range(int(rng.integers(1, 4))):
                start = rng.uniform(120, sample_t[-1] - 200)
                seen[(sample_t >= start) & (sample_t < start + rng.uniform(60, 400))] = np.nan
        elif kind < 0.75:
            seen[sample_t < rng.uniform(60, 200)] = np.nan
        else:
            for k in rng.integers(5, seen.size - 5, size=int(rng.integers(1, 4))):
                seen[k] = max(0.0, seen[k] + (-1, 1)[rng.integers(2)] * rng.uniform(25, 120))
    return seen


def dive_numbers(season):
    """Each dive's number in its member's log, in the order of time."""
    numbers = np.zeros(len(season.dives), int)
    count = np.zeros(len(season.people), int)
    for k, member in enumerate(season.dives["member"]):
        count[member] += 1
        numbers[k] = count[member]
    return numbers


def logged_dives(season, rng):
    """All dives as their loggers hold them, one after another in the order of time."""
    offsets = {c.unit_id: rng.normal(0, 0.7) for c in season.fleet}
    litres = {
        u: round(sum(season.fleet[k].row["water_capacity_l"] or 11.1 for k in b), 1) for u, b in season.bodies.items()
    }
    for p, number in zip(season.dives, dive_numbers(season), strict=True):
        m = season.people[p["member"]]
        step_s = m.sample_s or 10
        if m.member_id == "M05" and number % 9 == 4:
            step_s = 2
        t = np.arange(0, p["duration_s"] + 1e-6, step_s)
        steps = int(p["steps"])
        names = [season.units[u] for u in p["units"] if u >= 0]
        trace = season.traces.get(p["trace"], steps * (1 + len(names))).reshape(-1, steps)
        grid = np.arange(steps) * DT
        depth = np.interp(t, grid, trace[0])
        trouble = m.form not in ("paper", "uddf-2.2.0") and rng.random() < 0.09
        hand = 5.0 if m.form == "paper" else 1.0
        tanks, bars = [], []
        for k, unit in enumerate(names):
            role = ROLES[p["roles"][k]]
            seen = _seen(grid, trace[1 + k], t, m.step_bar, offsets[unit], rng, trouble and role == "back")
            measured = (m.form not in ("paper", "depths") and role == "back") or m.form == "uddf-3.2.2"
            if measured:
                there = seen[~np.isnan(seen)]
                ends = (float(there[0]), float(there[-1])) if there.size else (0.0, 0.0)
            else:
                true = (float(p["start_bar"][k]), float(p["end_bar"][k]))
                ends = tuple(round((bar + rng.normal(0, 1.2)) / hand) * hand for bar in true)
            tanks.append(
                Tank(
                    unit_id=unit,
                    role=role,
                    litres=litres[unit],
                    argon=season.fleet[season.bodies[unit][0]].gas == "argon",
                    o2=float(p["o2"][k]),
                    he=float(p["he"][k]),
                    start_bar=ends[0],
                    end_bar=ends[1] if measured else max(0, ends[1]),
                    measured=measured,
                )
            )
            if len(season.bodies[unit]) == 2 and m.hand_ends:
                tanks[-1].second_end = max(0, round(p["second_end_bar"][k] + 3.0 + rng.normal(0, 1.0)))
            bars.append(seen if measured else np.full(t.size, np.nan))
        water = np.full(t.size, np.nan)
        minute = max(1, 60 // step_s)
        water[::minute] = np.interp(t[::minute], grid, season.weather.water_c(p["started_s"], trace[0]))
        yield Logged(
            member=m,
            dive_id=f"{number:03d}",
            number=int(number),
            started_s=int(p["started_s"]),
            tanks=tanks,
            t_s=t,
            depth_m=depth,
            water_c=np.round(water, 1),
            bars=bars,
            air_c=float(p["air_c"]),
            surface_bar=round(float(p["surface_bar"]), 4),
            max_depth=float(depth.max()),
            mean_depth=float(np.mean(depth[:-1])),
            minutes=float(p["duration_s"] / 60),
            water_low=float(p["water_low_c"]),
            deep=bool(p["deep"]),
            shared=bool(p["shared"]),
        )


def is_air(o2):
    return abs(o2 - AIR_O2) < 0.004


def local_text(seconds, style="plain"):
    """A moment as people write it: 2026-07-03 18:20, or with its zone."""
    t = local(seconds)
    return t.strftime("%Y-%m-%d %H:%M") if style == "plain" else t.isoformat(timespec="seconds")


def local_texts(seconds, style="plain"):
    """local_text of many moments; None for 0."""
    offset = offsets_s(seconds)
    clock = (seconds + offset).astype("datetime64[s]")
    if style == "plain":
        text = np.char.replace(np.datetime_as_string(clock, unit="m"), "T", " ")
    else:
        zone = np.array(["+00:00", "+01:00"])[offset // 3600]
        text = np.char.add(np.datetime_as_string(clock, unit="s"), zone)
    return np.where(seconds > 0, text.astype(object), None)
