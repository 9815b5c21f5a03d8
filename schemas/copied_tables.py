"""What a copy at an address tells of people: written down once as data, for whoever has the address's keys reads it.

What is not granted is not copied: never are the lists of files, problems and runs, which may repeat what stood in a
file, nor what signing in needs.
"""

from schemas.tables import TABLES

#: nothing of anybody, members by their ids alone, or with names
NOBODY, IDS, NAMES = "nobody", "ids", "names"
CHOICES = (NOBODY, IDS, NAMES)

_STATION = (
    "fill_quality cylinder_health inspection_plan booking_cover units gas_sources cylinder_life settling_model "
    "settling_check settling_record gauge_check air_quality compressor_health recall"
)
_DIVES = (
    "dive_consumption dive_tank_use tank_suggestions dive_duplicates dive_profile consumption_trend condition_effects "
    "dive_reserve reserve_watch reserve_reliability kit_balance gas_added"
)
#: choice → tables that it adds to those before it
ADDED: dict[str, tuple[str, ...]] = {
    NOBODY: tuple(_STATION.split()),
    IDS: tuple(_DIVES.split()),
    NAMES: ("people", "hold_releases"),
}
NEVER = ("rejects", "ingest_files", "notices", "withdrawn", "corrections", "runs")
#: columns that name a person or hold what people call their own things, and those that lead to one by an id; none is
#: in the key of a table that lacks it
_NAMING = ("operator", "analysed_by", "released_by", "display_name", "source_ref", "tank_ref")
_LEADING = ("member_id", "owner_id", "held_by", "dive_id", "kept_dive_id")


def copied(people: str) -> dict[str, tuple[str, ...]]:
    """Tables of a copy, each with the columns that are left out of it."""
    out = {NOBODY: _NAMING + _LEADING, IDS: _NAMING, NAMES: ()}[people]
    tables = [t for choice in CHOICES[: CHOICES.index(people) + 1] for t in ADDED[choice]]
    return {t: tuple(c for c in TABLES[t].fields if c in out) for t in tables}


def samples_too(people: str) -> bool:
    """Whether the samples of dives are copied: they are a member's, by id."""
    return people != NOBODY
