"""Units and fills: what may be filled, what is in it, and what was published of it."""

from typing import TYPE_CHECKING

import pandas as pd

from pipelines.derive.units import OF_FILLS
from pipelines.refresh.engine import Refresh
from pipelines.refresh.reads import (
    AIR_TESTS,
    HISTORY,
    INSPECTED_RULES,
    INSPECTED_SETTINGS,
    PURITY_RULES,
    PURITY_SETTINGS,
    REGISTER,
    SETS,
    whole,
)
from pipelines.refresh.step import Frames, Given, Step
from schemas.tables import TABLES

if TYPE_CHECKING:
    from pipelines.derive.fills.step import PreparedFills


# --- units ------------------------------------------------------------------------------------
def _units(given: Given) -> Frames:
    from pipelines.derive.fleet.inspections import unit_states_at
    from pipelines.derive.units import build_units

    units = build_units(given, given.today)["units"]
    noon = (given.today + pd.Timedelta(hours=12)).tz_localize(given.policy.time_zone).tz_convert("UTC")
    states = unit_states_at(given, given.policy, units["unit_id"], pd.Series(noon, index=units.index))
    return {"units": units.assign(in_test_today=states["in_test"], oxygen_clean_today=states["oxygen_clean"])}


UNITS = Step(
    name="units",
    version=4,
    build=_units,
    gives=("units",),
    reads={
        "cylinders": whole("cylinders", "set_named_like_cylinder"),
        "set_members": whole("set_members"),
        "inspections": HISTORY,
        "fills": ("unit_id", "filled_at", "source_id"),
        "sources": ("source_id", "oxygen_compatible"),
    },
    settings=(*INSPECTED_SETTINGS, "filling.oxygen_clean_months"),
    rules=INSPECTED_RULES,
    day="day",
)

# --- registers that go out as they are --------------------------------------------------------
PEOPLE = Step(
    name="people",
    version=1,
    build=lambda given: {"people": given["members"]},
    gives=("people",),
    reads={"members": ("member_id", "display_name")},
)


def _logins(given: Given) -> Frames:
    from schemas.logins import member_logins

    return {"member_logins": member_logins(given["members"])}


LOGINS = Step(
    name="logins",
    version=2,
    build=_logins,
    gives=("member_logins",),
    reads={"members": ("member_id", "email")},
)


# --- fills ------------------------------------------------------------------------------------
#: what the last of these steps was given, and what it prepared from that
_AT_HAND: "list[tuple[Given, PreparedFills]]" = []


def _prepared(given: Given) -> "PreparedFills":
    """What both steps of fills begin with; where the last one was given the same frames, what that one prepared.

    Readings in the water stand beside all else and change nothing of what was believed of fills when they were made.
    """
    from pipelines.derive.fills.step import prepare_fills, read_in_water

    readings = given.get("water_readings")
    some = readings if readings is not None and len(readings) else None
    for before, prepared in _AT_HAND:
        shared = before.keys() & given.keys() - {"water_readings"}
        of_shared = [n for n in vars(before.policy) if n in vars(given.policy)]
        same_settings = all(getattr(before.policy, name) == getattr(given.policy, name) for name in of_shared)
        none_read = some is None and not len(before.get("water_readings", ()))
        same_readings = none_read or readings is None or before.get("water_readings") is readings
        if same_settings and all(before[name] is given[name] for name in shared):
            if not same_readings:
                prepared = read_in_water(prepared, some, given.policy)
                _AT_HAND[:] = [(given, prepared)]
            return prepared
    prepared = prepare_fills(given, given["units"], given.policy, some, given["day_began"]["at"].iloc[0])
    _AT_HAND[:] = [(given, prepared)]
    return prepared


def _fills(given: Given) -> Frames:
    from pipelines.derive.fills.step import build_fills_today

    made = build_fills_today(_prepared(given), given, given.policy)
    return {
        "fills_judged": made["fill_quality"],
        "settling_model": made["settling_model"],
        "settling_corrections": made["settling_corrections"],
        "settling_learned": made["settling_learned"],
        "gauge_check": made["gauge_check"],
    }


def _fills_then(given: Given) -> Frames:
    from pipelines.derive.fills.step import build_fills_then

    made = build_fills_then(_prepared(given), given.policy)
    return {
        "fills_before_dives": made["fills_before_dives"],
        "settling_predicted": made["settling_check"],
        "settling_learned_then": made["settling_learned_then"],
    }


_FILLS_READ = {
    "fills": whole("fills", "assumed", "value_flags", "co_read_at"),
    "cylinders": (*SETS["cylinders"], "set_kind", *REGISTER),
    "set_members": SETS["set_members"],
    "inspections": HISTORY,
    "inspections_not_taken": ("cylinder_id", "inspected_on"),
    "gauges": whole("gauges"),
    "sources": whole("sources"),
    "compressors": whole("compressors"),
    "compressor_log": whole("compressor_log"),
    "air_tests": AIR_TESTS,
    "releases": ("fill_id", "released_at"),
    "members": ("member_id", "mix_qualification"),
    "dives": ("member_id", "dive_id", "started_at", "duration_min", "air_c", "water_c", "value_flags"),
    # what cylinders read between two fills
    "dive_tanks": ("member_id", "dive_id", "unit_id", "o2_pct", "he_pct", "start_pressure_bar", "end_pressure_bar"),
    "loans": ("unit_id", "out_at", "back_at", "back_pressure_bar"),
    # of a station of many fills: what was read since then teaches nothing yet
    "day_began": ("at",),
    "fills_not_accepted": ("unit_id", "filled_at"),
    "units": OF_FILLS,
}
_FILLS_SETTINGS = ("filling", *PURITY_SETTINGS, "fleet.due_soon_days")
_FILLS_RULES = (*INSPECTED_RULES, *PURITY_RULES, "filling_")

WATER_READINGS = ("fill_id", "member_id", "pressure_bar", "water_c", "minutes", "sd_bar", "dived_at")

FILLS = Step(
    name="fills",
    version=21,
    build=_fills,
    gives=("fills_judged", "settling_model", "settling_corrections", "settling_learned", "gauge_check"),
    reads=_FILLS_READ | {"water_readings": WATER_READINGS},
    settings=_FILLS_SETTINGS,
    rules=_FILLS_RULES,
    counted="fill builds",
)

#: what nothing but a verdict hangs on
_FOR_VERDICTS = ("air_tests", "releases", "members", "inspections_not_taken")
#: no dive's transmitter has a say in it, and nothing but a fill's own rows and readings, and those before it
FILLS_THEN = Step(
    name="fills_then",
    version=5,
    build=_fills_then,
    gives=("fills_before_dives", "settling_predicted", "settling_learned_then"),
    reads={name: columns for name, columns in _FILLS_READ.items() if name not in _FOR_VERDICTS},
    settings=("filling", *INSPECTED_SETTINGS, "fleet.due_soon_days"),
    rules=(*INSPECTED_RULES, "filling_"),
)


# --- what was first published ------------------------------------------------------------------
def _first_published(given: Given) -> Frames:
    from pipelines.derive.fills.history import with_first_published

    return {"fill_quality": with_first_published(given["fills_judged"], given["first_fill_quality"])}


FIRST_PUBLISHED = Step(
    name="first_published",
    version=3,
    build=_first_published,
    gives=("fill_quality",),
    reads={
        "fills_judged": tuple(TABLES["fill_quality"].fields),
        "first_fill_quality": ("fill_id", "handed_over_verdict", "handed_over_settled_bar_15c"),
    },
)


def _predictions(given: Given) -> Frames:
    from pipelines.derive.fills.history import kept_checks, settling_record

    check = kept_checks(given["settling_predicted"], given["first_settling_check"])
    record = settling_record(check, given["fills"], given["settling_corrections"])
    return {"settling_check": check, "settling_record": record}


PREDICTIONS = Step(
    name="predictions",
    version=1,
    build=_predictions,
    gives=("settling_check", "settling_record"),
    reads={
        "fills": ("fill_id", "station_id", "filled_at"),
        "settling_predicted": tuple(TABLES["settling_check"].fields),
        "settling_corrections": ("station_id", "shift_bar", "widening"),
        "first_settling_check": tuple(TABLES["settling_check"].fields),
    },
)


def _gas_added(given: Given) -> Frames:
    from pipelines.derive.fills.gas_added import build_gas_added

    return {"gas_added": build_gas_added(given["fill_quality"], given.policy)}


GAS_ADDED = Step(
    name="gas_added",
    version=1,
    build=_gas_added,
    gives=("gas_added",),
    reads={
        "fill_quality": (
            "fill_id",
            "unit_id",
            "filled_at",
            "source_id",
            "member_id",
            "water_capacity_l",
            "settled_pressure_bar_15c",
            "o2_pct",
            "he_pct",
            "added_free_l",
        )
    },
    settings=("time_zone",),
)

STEPS = (UNITS, PEOPLE, LOGINS, FILLS, FILLS_THEN, FIRST_PUBLISHED, PREDICTIONS, GAS_ADDED)


def day_began(fills: pd.DataFrame, today: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """When the day began, at a station of many fills: what was read since teaches tomorrow; else no moment."""
    from pipelines.derive.fills.step import MANY_FILLS

    began = today.tz_localize(time_zone, nonexistent="shift_forward", ambiguous=True).tz_convert("UTC")
    at = began if len(fills) >= MANY_FILLS else pd.NaT
    return pd.DataFrame({"at": pd.Series([at], dtype="datetime64[us, UTC]")})


def publish_registers(refresh: Refresh) -> None:
    """Units, and what goes out of the registers as it is."""
    for step in (UNITS, PEOPLE, LOGINS):
        refresh.run(step)
    refresh.table("units")


def judge_fills(refresh: Refresh, first: pd.DataFrame) -> None:
    """The published fills, from what dives said of them and from what was published of each at first."""
    refresh.run(FILLS)
    refresh.table("fills_judged")
    refresh.table("gauge_check")
    refresh.table("settling_corrections")
    refresh.shelf.put("first_fill_quality", first)
    refresh.run(FIRST_PUBLISHED)
    refresh.table("fill_quality")


def fills_when_made(refresh: Refresh) -> None:
    """What fills were taken for when they were made."""
    refresh.run(FILLS_THEN)
    refresh.table("fills_before_dives")


def publish_predictions(refresh: Refresh, first: pd.DataFrame) -> None:
    """What was predicted of each settled reading, as it was first published."""
    _AT_HAND.clear()
    refresh.table("settling_predicted")
    refresh.shelf.put("first_settling_check", first)
    refresh.run(PREDICTIONS)
