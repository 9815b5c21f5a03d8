"""From what truly happened to what people and computers wrote down."""

import numpy as np

from sample_data.weather import local

OPERATORS = ["M01", "M06", "M08", "M10"]


def fill_rows(season, rng, planted=True):
    """Contract rows of fills, in the order of time, with ids; also sets fill_id in the records."""
    season.fills.sort(key=lambda r: r["filled_s"])
    owners = {c.unit_id: c.row["owner_id"] for c in season.fleet}
    out = []
    for k, r in enumerate(season.fills, 1):
        e, fact = r["e"], r["e"].fact
        r["fill_id"] = f"F{k:04d}"
        gas = r["gas"]
        nominal = {"air": 21, "n32": 32, "c32": 32, "n50": 50, "n36": 36, "tx1845": 18, "argon": 0}[gas]
        checked = (gas != "air" or r["residue_other"]) and not fact.get("no_analysis")
        o2, he = r["o2_true"] * 100, r["he_true"] * 100
        operator = str(rng.choice(OPERATORS))
        row = dict(
            fill_id=r["fill_id"],
            filled_s=r["filled_s"],
            unit_id=r["unit_id"],
            station_id="tarrowick",
            operator=operator,
            source_id=r["source_id"],
            fill_method=r["fill_method"],
            start_pressure_bar=r["start_pressure_bar"],
            target_pressure_bar=r["target_pressure_bar"],
            stop_pressure_bar=r["stop_pressure_bar"],
            second_stop_pressure_bar=r.get("second_stop_pressure_bar"),
            gauge_id=r["gauge_id"],
            ambient_c=round(r["ambient_true_c"] + rng.normal(0, 0.7)),
            wall_c=round(r["wall_true_c"] + rng.normal(0, 0.6), 1) if rng.random() < 0.13 else None,
            fill_minutes=max(1, round(r["minutes"] + rng.normal(0, 0.4))) if rng.random() < 0.93 else None,
            target_o2_pct=nominal,
            target_he_pct=45 if gas == "tx1845" else None,
            target_ar_pct=100 if gas == "argon" else None,
            analysed_o2_pct=(0.0 if gas == "argon" else round(o2 + rng.normal(0, 0.15), 1)) if checked else None,
            analysed_he_pct=round(he + rng.normal(0, 0.3), 1) if checked and gas == "tx1845" else None,
            second_analysed_o2_pct=None,
            analysed_by=operator if checked else None,
            analysed_s=r["filled_s"] + int(rng.uniform(4, 40) * 60) if checked else None,
            co_ppm=round(abs(rng.normal(0.8, 0.5)), 1) if rng.random() < 0.15 else None,
            settled_pressure_bar=r.get("settled_pressure_bar"),
            settled_c=r.get("settled_c"),
            settled_s=r.get("settled_s"),
            settled_gauge_id="check-1" if "settled_s" in r and rng.random() < 0.6 else None,
            member_id=(e.member.member_id if e.member else None)
            if owners[r["unit_id"]] == "station" or e.member is None
            else owners[r["unit_id"]],
        )
        if row["settled_pressure_bar"] is not None and rng.random() < 0.06:
            row["settled_s"] = None
        if fact.get("sides_differ") and planted:
            row["second_analysed_o2_pct"] = round(row["analysed_o2_pct"] - 1.6, 1)
        elif checked and len(season.bodies[r["unit_id"]]) == 2 and rng.random() < 0.15:
            row["second_analysed_o2_pct"] = round(row["analysed_o2_pct"] + float(rng.choice([-0.1, 0, 0, 0.1])), 1)
        out.append(row)
    return out


def _seen(true_t, true_bar, sample_t, step, offset, rng, trouble):
    """Transmitter readings: interpolated, quantised; some blocks missing, a few spikes, some that join late."""
    bar = np.interp(sample_t, true_t, true_bar) + offset
    bar = np.round(bar / step) * step
    seen = np.maximum(bar, 0)
    lost = np.zeros(seen.size, bool)
    if trouble:
        kind = rng.random()
        if kind < 0.5:
            for _ in range(int(rng.integers(1, 4))):
                start = rng.uniform(120, sample_t[-1] - 200)
                lost |= (sample_t >= start) & (sample_t < start + rng.uniform(60, 400))
        elif kind < 0.75:
            lost |= sample_t < rng.uniform(60, 200)
        else:
            for k in rng.integers(5, seen.size - 5, size=int(rng.integers(1, 4))):
                seen[k] = max(0.0, seen[k] + float(rng.choice([-1, 1])) * rng.uniform(25, 120))
    return [None if miss else float(s) for s, miss in zip(seen, lost, strict=True)]


def logged_dives(season, rng, planted=True):
    """All dives as their loggers hold them, by member."""
    season.dives.sort(key=lambda p: p["e"].t)
    offsets = {c.unit_id: float(rng.normal(0, 0.7)) for c in season.fleet}
    numbers: dict[str, int] = {}
    out = []
    for p in season.dives:
        e, m = p["e"], p["e"].member
        numbers[m.member_id] = numbers.get(m.member_id, 0) + 1
        number = numbers[m.member_id]
        step_s = m.sample_s or 10
        if m.member_id == "M05" and number % 9 == 4:
            step_s = 2
        t = np.arange(0, p["grid"][-1] + 1e-6, step_s)
        depth, water = np.interp(t, p["grid"], p["depth"]), np.interp(t, p["grid"], p["water"])
        trouble = m.form not in ("paper", "uddf-2.2.0") and rng.random() < 0.09
        tanks, bars = [], []
        for unit in [*e.fact["back"], *([e.fact["stage"]] if e.fact.get("stage") else []), *e.fact["extra"]]:
            b = season.bodies[unit]
            true = p["tanks"][b[0]]
            role = "suit" if unit in e.fact["extra"] else "deco" if unit == e.fact.get("stage") else "back"
            seen = _seen(p["grid"], true["bar"], t, m.step_bar, offsets[unit], rng, trouble and role == "back")
            measured = (m.form not in ("paper", "depths") and role == "back") or m.form == "uddf-3.2.2"
            litres = round(sum(season.fleet[k].row["water_capacity_l"] or 11.1 for k in b), 1)
            hand = 5.0 if m.form == "paper" else 1.0
            tanks.append(
                dict(
                    unit_id=unit,
                    role=role,
                    litres=litres,
                    argon=bool(season.fleet[b[0]].gas == "argon"),
                    o2=float(p["o2"][b[0]]),
                    he=float(p["he"][b[0]]),
                    start_bar=next((x for x in seen if x is not None), 0.0)
                    if measured
                    else round((true["bar"][0] + rng.normal(0, 1.2)) / hand) * hand,
                    end_bar=next((x for x in reversed(seen) if x is not None), 0.0)
                    if measured
                    else max(0, round((true["bar"][-1] + rng.normal(0, 1.2)) / hand) * hand),
                    measured=measured,
                    second_end=None,
                )
            )
            if len(b) == 2 and m.hand_ends:
                other = p["tanks"][b[1]]["bar"][-1] + 3.0 + rng.normal(0, 1.0)
                tanks[-1]["second_end"] = max(0, round(other))
            bars.append(seen if measured else [None] * t.size)
        minute = max(1, 60 // step_s)
        samples = [
            (float(a), float(d), round(float(w), 1) if k % minute == 0 else None, [s[k] for s in bars])
            for k, (a, d, w) in enumerate(zip(t, depth, water, strict=True))
        ]
        p["dive_id"] = f"{number:03d}"
        p["started_at"] = e.t
        out.append(
            dict(
                p=p,
                member=m,
                dive_id=p["dive_id"],
                number=number,
                started_s=e.t,
                tanks=tanks,
                samples=samples,
                air_c=p["air_c"],
                surface_bar=round(p["surface"], 4),
                max_depth=float(depth.max()),
                mean_depth=float(np.mean(depth[:-1])),
                minutes=float(p["grid"][-1] / 60),
                water_low=float(np.min(p["water"])),
                deep=p["deep"],
                shared=bool(e.fact.get("shared")),
            )
        )
    return out


def local_text(seconds, style="plain"):
    t = local(seconds)
    return (
        t.strftime("%Y-%m-%d %H:%M")
        if style == "plain"
        else t.isoformat(timespec="seconds")
        if style == "zone"
        else t.strftime("%d.%m.%Y %H:%M")
    )
