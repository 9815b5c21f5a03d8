"""What a copy at an address tells of people: written down once as data, for whoever has the address's keys reads it.

What is not granted is not copied: never are the lists of files, problems and runs, which may repeat what stood in a
file, nor what signing in needs.
"""

from typing import TYPE_CHECKING

from schemas.tables import TABLES

if TYPE_CHECKING:
    import pyarrow as pa

#: raise it with what is kept back: what was copied under other rules is copied anew, and nothing older stays there
RULES = 1
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
_LEADING = ("member_id", "owner_id", "held_by", "dive_id", "kept_dive_id", "last_seen_at")  # the last: of a dive
#: of `cylinder_life`, what is told with nobody; the code of a loan is its member, a dive is one member's
_LIFE = "cylinder_life"
_WITH_CODE = ("joined_set", "left_set")  # and inspections
_WITHOUT_CODE = ("filled", "arrived", "manufactured", "lent", "returned")
_AT_A_FILL = ("interval", "unexplained_use")  # else a dive ends it, at its time


def copied(people: str) -> dict[str, tuple[str, ...]]:
    """Tables of a copy, each with the columns that are left out of it."""
    out = {NOBODY: _NAMING + _LEADING, IDS: _NAMING, NAMES: ()}[people]
    tables = [t for choice in CHOICES[: CHOICES.index(people) + 1] for t in ADDED[choice]]
    return {t: tuple(c for c in TABLES[t].fields if c in out) for t in tables}


def thinned(people: str, table: str) -> bool:
    """Whether single rows and values are left out too, as `without_people` does."""
    return people == NOBODY and table == _LIFE


def without_people(life: "pa.Table") -> "pa.Table":
    """Rows of `cylinder_life` that are no dive's, without the member of a loan."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not {"event", "fill_id"} <= set(life.column_names):  # of an earlier version: what they tell of is not known
        return life.slice(0, 0)
    event = life["event"].cast(pa.string())
    coded = pc.or_(pc.starts_with(event, "inspected_"), pc.is_in(event, pa.array(_WITH_CODE)))
    at_a_fill = pc.and_(pc.is_in(event, pa.array(_AT_A_FILL)), pc.is_valid(life["fill_id"]))
    kept = pc.or_(pc.or_(coded, pc.is_in(event, pa.array(_WITHOUT_CODE))), at_a_fill)
    if "code" in life.column_names:
        n, code = life.column_names.index("code"), life["code"].cast(pa.string())
        life = life.set_column(n, "code", pc.if_else(coded, code, pa.scalar(None, pa.string())))
    return life.filter(kept)


def samples_too(people: str) -> bool:
    """Whether the samples of dives are copied: they are a member's, by id."""
    return people != NOBODY
