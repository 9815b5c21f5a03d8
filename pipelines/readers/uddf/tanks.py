"""The tanks of a UDDF dive: which they are, what was in them, and which reading belongs to which."""

import math

import numpy as np

from pipelines.readers.uddf.parts import Context, Dive, child_of, number, numbers, value_of
from pipelines.readers.uddf.walk import Definitions, local, own, references, tankdata
from pipelines.readers.uddf.waypoints import Waypoints
from shared.gas.constants import AIR_O2_PCT, ATM_BAR

MOST_TANKS = 6
ROLES = ("back", "stage", "deco", "bailout", "suit", "oxygen", "diluent")
LEAST_FULL_BAR, MOST_FULL_BAR = 10.0, 400.0
"""The largest pressure of a tank in a dive lies between these, or it was not written in pascal."""


def tankdata_of(element, after, definitions: Definitions) -> list[dict]:
    """The tankdata of a dive: its own, else (2.x) those among the gases that it points at."""
    inner = [tankdata(c) for c in own(element) if local(c) == "tankdata"]
    if inner:
        return inner
    places = [element, child_of(element, "equipmentused")]
    if after is not None:
        places.append(child_of(after, "equipmentused"))
    pointed: list[dict] = []
    for ref in [r for p in places if p is not None for r in references(p)]:
        if ref in definitions.tankdata:
            hits = [definitions.tankdata[ref]]
        else:
            hits = [
                t
                for t in (*definitions.tankdata.values(), *definitions.tankdata_without_id)
                if ref in definitions.tanks and ref in t["refs"]
            ]
        pointed += [h for h in hits if h not in pointed]
    return pointed


def read_tanks(found: Dive, listed: list[dict], points: Waypoints, context: Context) -> None:
    """Add the tanks of a dive to it, and their readings to its samples; what cannot be placed is rejected alone."""
    definitions = context.definitions
    lost: set[int] = set()
    for n, data in enumerate(listed):
        data["no"] = n + 1
        bad = next((r for r in data["refs"] if r in definitions.twice or r not in definitions.seen), None)
        data["tank"] = next((r for r in data["refs"] if r in definitions.tanks), None)
        data["mix"] = next((r for r in data["refs"] if r in definitions.mixes), None)
        if bad is not None:
            rule = "uddf_duplicate_id" if bad in definitions.twice else "uddf_dangling_ref"
            found.say("dive_tanks", rule, row_number=n + 1, line=data["line"], column="unit_id", value=bad)
            lost.add(n)
    pressures = _pressures(found, listed, points, context)
    single = len(listed) == 1
    for n, data in enumerate(listed):
        if n in lost:
            continue
        role = _role(data, single, context, found.owner_refs)
        if role is None:
            found.say(
                "dive_tanks",
                "uddf_role_unknown",
                row_number=n + 1,
                line=data["line"],
                column="role",
                value=data["tank"] or data["id"] or f"tank {n + 1}",
            )
            lost.add(n)
            continue
        found.tanks.append(_tank(found, data, role, pressures.get(n), single, points, context))
    if lost:
        found.flags.append("tank_rejected")
        for n in sorted(lost):
            found.lost_tanks.append(
                {
                    "place": n + 1,
                    "line": listed[n]["line"],
                    "tank_no": n + 1,
                    "role": _role(listed[n], single, context, found.owner_refs),
                }
            )


def _role(data: dict, single: bool, context: Context, owners: list[str]) -> str | None:
    tank = context.definitions.tanks.get(data["tank"] or "", {})
    names = [name for name in (data["tank"], data["id"], tank.get("name"), tank.get("alias")) if name]
    if context.linked_role and (linked := context.linked_role(names, owners)):
        return linked
    for name in names:
        if name in context.roles:
            return context.roles[name]
    alias = (tank.get("alias") or "").strip().casefold()
    return alias if alias in ROLES else "back" if single else None


def _pressures(found: Dive, listed: list[dict], points: Waypoints, context: Context) -> dict[int, np.ndarray]:
    """Readings of each tank over the samples, bar gauge, by place in `listed`; those nobody can place are left out."""
    size = len(points.line)
    if not points.pressure:
        return {}
    by_tank: dict[str, list[int]] = {}
    for n, data in enumerate(listed):
        if data["tank"]:
            by_tank.setdefault(data["tank"], []).append(n)
    by_data = {data["id"]: n for n, data in enumerate(listed) if data["id"]}
    places: dict[tuple[str | None, str | None], int | str] = {}
    pairs = list(zip(points.pressure_ref, points.pressure_tankref, strict=True))
    for pair in dict.fromkeys(pairs):
        places[pair] = _place(pair, len(listed), by_tank, by_data, context.definitions)
    values, bad = numbers(points.pressure, context.decimal)
    values = values / 1e5 - (ATM_BAR if context.pressure == "absolute" else 0.0)
    rows = np.array(points.pressure_of, dtype=np.int64)
    # tank ids are many to one: give each pair a number once, then work on arrays
    numbered = {pair: n for n, pair in enumerate(places)}
    which = np.array([numbered[pair] for pair in pairs], dtype=np.int64)
    inside = rows < size
    made: dict[int, np.ndarray] = {}
    for pair, place in places.items():
        mine = (which == numbered[pair]) & inside
        if not mine.any():
            continue
        first = int(np.flatnonzero(mine)[0])
        where = {"row_number": int(rows[first]) + 1, "line": points.line[int(rows[first])]}
        if isinstance(place, str):
            found.say(
                "dive_samples",
                place,
                "value",
                column="tank_bar",
                value=" and ".join(r for r in pair if r) or "no reference",
                rows=int(mine.sum()),
                **where,
            )
            continue
        wrong = mine & bad
        if wrong.any():
            first = int(np.flatnonzero(wrong)[0])
            found.say(
                "dive_samples",
                "uddf_not_a_number",
                "value",
                row_number=int(rows[first]) + 1,
                line=points.line[int(rows[first])],
                column=f"tank_{place + 1}_bar",
                value=points.pressure[first],
                rows=int(wrong.sum()),
            )
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


def _tank(
    found: Dive, data: dict, role: str, readings: np.ndarray | None, single: bool, points: Waypoints, context: Context
) -> dict:
    n, line = data["no"], data["line"]
    tank = context.definitions.tanks.get(data["tank"] or "", {})
    flags: list[str] = []

    def ask(column: str, text: str | None, rule: str, low: float, high: float) -> float | None:
        before = len(found.problems)
        value = value_of(found, "dive_tanks", column, text, rule, low, high, context, line)
        for _, what in found.problems[before:]:
            what.row_number = n
        return value

    volume = ask("water_capacity_l", data["volume"] or tank.get("volume"), "uddf_not_m3", 0.0003, 0.06)
    start, end = (
        ask(c, data[k], "uddf_not_pascal", -math.inf, math.inf)
        for c, k in (("start_pressure_bar", "begin"), ("end_pressure_bar", "end"))
    )
    shift = ATM_BAR if context.pressure == "absolute" else 0.0
    start_bar, end_bar = (None if p is None else p / 1e5 - shift for p in (start, end))
    if context.pressure != "absolute" and (start is not None or readings is not None):
        context.notes.add("pressures_taken_as_gauge")
    seen = [p for p in (start_bar, end_bar) if p is not None]
    if readings is not None and np.isfinite(readings).any():
        seen.append(float(np.nanmax(readings)))
    if seen and not LEAST_FULL_BAR - shift <= max(seen) <= MOST_FULL_BAR:
        shown = (max(seen) + shift) * 1e5
        guess = ": it looks like bar, psi or kPa" if max(seen) < LEAST_FULL_BAR else ""
        found.say(
            "dive_tanks",
            "uddf_not_pascal",
            "value",
            row_number=n,
            line=line,
            column="start_pressure_bar",
            value=f"{shown:g}",
            guess=guess,
        )
        start_bar = end_bar = readings = None
        if role != "suit":
            found.flags.append("tank_rejected")
    if readings is not None:
        found.samples[f"tank_{n}_bar"] = readings
        known = np.flatnonzero(np.isfinite(readings) & found.samples["keep"])
        if end_bar is None and len(known):
            end_bar = float(readings[known[-1]])
            flags.append("end_from_samples")
    o2, he, ar = _gas(found, data, single, points, context, flags)
    return {
        "place": n,
        "line": line,
        "tank_ref": data["tank"],
        "tank_no": n,
        "role": role,
        "water_capacity_l": None if volume is None else volume * 1000.0,
        "o2_pct": o2,
        "he_pct": he,
        "ar_pct": ar,
        "start_pressure_bar": start_bar,
        "end_pressure_bar": end_bar,
        "flags": flags,
    }


#: a mix holds one hundredth of a gas, or none: as in every reader, less is a slip of the unit
LEAST_FRACTION = 0.01


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
    texts = definitions.mixes[mix]
    parts = {k: number(texts[k], context.decimal) for k in ("o2", "n2", "he", "ar", "h2")}
    given = {k: v for k, v in parts.items() if v is not None}
    total = sum(given.values())
    whole = "n2" in given
    wrong = (
        any(texts[k] is not None and parts[k] is None for k in parts)
        or any(not 0 <= v <= 1 for v in given.values())
        or (abs(total - 1) > 0.01 if whole else total > 1.01)
        or given.get("h2", 0) > 0
        or "o2" not in given
        # a share of a share: 0.0032 where 0.32 was meant; so little helium is what an analyser finds of an earlier fill
        or 0 < given.get("o2", 0) < LEAST_FRACTION
    )
    if wrong:
        found.say(
            "dive_tanks",
            "uddf_not_fraction",
            "value",
            row_number=data["no"],
            line=texts["line"],
            column="o2_pct",
            value=mix,
            guess=": they were written in per cent" if 1.5 < total <= 101 else "",
        )
        return None, None, None
    he = given.get("he", 0.0 if whole or abs(total - 1) <= 0.01 else None)
    return given["o2"] * 100.0, None if he is None else he * 100.0, None if "ar" not in given else given["ar"] * 100.0
