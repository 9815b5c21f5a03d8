"""Make the sample station: `python -m sample_data.make --to DIR [--truth DIR]`, any size, by seed.

An invented station in an invented place. planted.toml lists the problems put in on purpose. The physics here is
the generator's own (gas.py from CoolProp, heat.py), written apart from the project's, and needed only to make
the files, not to use them.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from sample_data import lake, plant, registers, rows, schedule, station, truth, weather, write
from sample_data.season import Season

SEED = 20260401


def play(members=12, cylinders=30, months=7, fills=350, dives=300, seed=SEED, planted=True, progress=None):
    """Play one season; returns (season, members, days, gauges, rng for what is written)."""
    rng = np.random.default_rng(seed)
    days = weather.season_days(months)
    sky = weather.Weather(days, rng)
    people, fleet = station.people_and_cylinders(members, cylinders, rng, planted)
    gauges = station.gauges(rng, planted)
    have = {c.unit_id for c in fleet}
    for m in people:
        m.units = [u for u in m.units if u in have] or [sorted(have)[0]]
        m.suit_unit, m.stage_unit = (u if u in have else "" for u in (m.suit_unit, m.stage_unit))
    dive_events = schedule.plan_trimix(schedule.dives(people, fleet, dives, months, rng))
    fill_events = schedule.fills_for(dive_events, fleet, rng)
    extra = schedule.extra_fills(
        dive_events, fill_events, fleet, max(0, fills - len(fill_events)), months, rng, planted
    )
    events = [*dive_events, *fill_events, *extra]
    if planted:
        events = plant.plant(events)
    schedule.give_levels(events)
    season = Season(fleet, people, gauges, sky, weather.at(days[0], 0) - 86400, rng)
    del dive_events, fill_events, extra  # the season gives its events up as it plays them
    season.play(events, progress)
    return season, people, days, gauges, rng


def make(to, truth_to=None, planted=True, progress=None, **size):
    """Write a station's inbox (and the hidden truth) of a size; returns counts."""
    season, people, days, gauges, rng = play(planted=planted, progress=progress, **size)
    inbox = Path(to) / "inbox"
    write.empty_folder(inbox)
    fleet = season.fleet
    fill_columns = rows.fill_rows(season, rng, planted)
    write.fills(inbox, fill_columns, planted)
    dives, samples, links = write.dives(inbox, season, rows.logged_dives(season, rng), planted)
    trip, trip_truth = lake.dives(season, size.get("seed", SEED)) if planted else ([], [])
    write.lake_dives(inbox, trip)
    inspections = registers.inspections(fleet, days[0], rng, planted)
    csv_file = write.to_csv
    csv_file(
        inbox / "members.csv",
        ["member_id", "display_name", "email", "joined_on", "mix_qualification"],
        [
            dict(
                member_id=m.member_id,
                display_name=m.name,
                email=f"{m.name.split()[0].lower()}.{m.member_id.lower()}@example.org",
                joined_on=m.joined_on,
                mix_qualification=m.qualification,
            )
            for m in people
        ],
    )
    csv_file(inbox / "cylinders.csv", list(fleet[0].row), [c.row for c in fleet])
    csv_file(inbox / "sources.csv", list(station.SOURCES[0]), station.SOURCES)
    csv_file(
        inbox / "gauges.csv",
        ["gauge_id", "station_id", "use", "accuracy_class", "span_bar", "step_bar", "checked_on", "offset_bar"],
        gauges,
    )
    csv_file(inbox / "compressors.csv", list(registers.COMPRESSORS[0]), registers.COMPRESSORS)
    tests = registers.air_tests(days[0], planted)
    csv_file(inbox / "air_tests.csv", list(tests[0]), tests)
    log = registers.compressor_log(season.fills, days, season.weather, rng)
    write.compressor_log(inbox, log)
    csv_file(
        inbox / "kits.csv",
        [
            "member_id",
            "valid_from",
            "lift_capacity_kg",
            "ballast_kg",
            "other_negative_kg",
            "suit_buoyancy_kg",
            "suit_buoyancy_at_depth_kg",
        ],
        registers.kits(people, fleet, rng, planted),
    )
    write.to_xlsx(
        inbox / "inspections.xlsx",
        [
            "cylinder_id",
            "inspected_on",
            "kind",
            "result",
            "inspector",
            "permanent_expansion_pct",
            "found_mass_kg",
            "finding",
            "note",
        ],
        inspections,
        "inspections",
    )
    write.to_xlsx(
        inbox / "bookings.xlsx",
        ["starts_on", "ends_on", "cylinders_needed", "material", "water_capacity_l"],
        registers.bookings(),
        "bookings",
    )
    csv_file(inbox / "visits.csv", ["visit_on", "capacity", "kinds", "back_on"], registers.visits())
    owners = {c.unit_id: c.row["owner_id"] for c in fleet}
    lent = registers.loans(season, owners, rng)
    csv_file(
        inbox / "loans.csv",
        ["unit_id", "member_id", "out_at", "due_on", "back_at", "back_pressure_bar"],
        [
            r | dict(out_at=rows.local_text(r["out_s"]), back_at=rows.local_text(r["back_s"]) if r["back_s"] else "")
            for r in lent
        ],
    )
    sets = registers.set_members(fleet)
    if sets and len(fleet) >= 30:
        csv_file(inbox / "set_members.csv", list(sets[0]), sets)
    lifted = np.flatnonzero(abs(fill_columns["second_analysed_o2_pct"] - fill_columns["analysed_o2_pct"]) > 1)
    if lifted.size:
        csv_file(
            inbox / "releases.csv",
            ["fill_id", "released_at", "released_by", "reason"],
            [
                dict(
                    fill_id=fill_columns["fill_id"][k],
                    released_at=rows.local_text(fill_columns["filled_s"][k] + 9000),
                    released_by="M01",
                    reason="both sides analysed again after an hour with the isolator open: 32.0 and 32.1",
                )
                for k in lifted
            ],
        )
    csv_file(inbox / "links.csv", ["source_ref", "kind", "target_id", "member_id"], links)
    if truth_to:
        truth.write(Path(truth_to), season, fill_columns["fill_id"], gauges, trip_truth)
    size_bytes = sum(f.stat().st_size for f in inbox.rglob("*") if f.is_file())
    return dict(
        fills=len(season.fills),
        dives=dives + len(trip),
        samples=samples + sum(d.t_s.size for d in trip),
        inspections=len(inspections),
        loans=len(lent),
        files=sum(1 for f in inbox.rglob("*") if f.is_file()),
        megabytes=round(size_bytes / 1e6, 2),
    )


def main(argv=None):
    p = argparse.ArgumentParser(prog="sample_data.make", description=__doc__.split("\n")[0])
    p.add_argument("--to", required=True, help="folder that gets inbox/")
    p.add_argument("--truth", help="folder for the hidden truth")
    for name, value in dict(members=12, cylinders=30, months=7, fills=350, dives=300, seed=SEED).items():
        p.add_argument(f"--{name}", type=int, default=value)
    p.add_argument("--plain", action="store_true", help="without the planted problems")
    a = p.parse_args(argv)

    def progress(k, n):
        if sys.stderr.isatty():
            print(f"\r{k}/{n}", end="", file=sys.stderr)

    counts = make(
        a.to,
        a.truth,
        planted=not a.plain,
        progress=progress,
        members=a.members,
        cylinders=a.cylinders,
        months=a.months,
        fills=a.fills,
        dives=a.dives,
        seed=a.seed,
    )
    print(", ".join(f"{k} {v}" for k, v in counts.items()))


if __name__ == "__main__":
    main()
