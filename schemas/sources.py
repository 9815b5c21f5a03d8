"""The inputs of the contract: which fields each source has, which must be there, what identifies a row.

A reference says which register a column names; a row that names something unknown waits for it.
"""

from dataclasses import dataclass, field

from schemas import fields as f
from schemas.fields import Field


@dataclass(frozen=True)
class Source:
    """One kind of input file."""

    name: str
    says: str
    key: tuple[str, ...]
    required: frozenset[str]
    fields: dict[str, Field]
    #: column → register it names: `member`, `unit`, `cylinder`, `fill`, `dive`
    references: dict[str, str] = field(default_factory=dict)


SOURCES: dict[str, Source] = {}

#: any source may carry it: which of two files is newer
REVISED_AT = f.moment("revised_at", "When the row was last revised; decides which of two files is newer.")


def _source(name, says, key, columns, references=None):
    required = frozenset(field.name for field, must in columns if must)
    made = {field.name: field for field, _ in columns} | {"revised_at": REVISED_AT}
    SOURCES[name] = Source(name, says, tuple(key.split()), required, made, references or {})


def _must(*listed):
    return [(field, True) for field in listed]


def _may(*listed):
    return [(field, False) for field in listed]


_source(
    "members",
    "Members.",
    "member_id",
    _must(f.MEMBER_ID, f.DISPLAY_NAME) + _may(f.EMAIL, f.JOINED_ON, f.MIX_QUALIFICATION),
)

_source(
    "cylinders",
    "The register of cylinders.",
    "cylinder_id",
    _must(f.CYLINDER_ID, f.OWNER_ID, f.MATERIAL)
    # Required unless the cylinder is rated in cubic feet: a check of its own, see check.py.
    + _may(
        f.WATER_CAPACITY_L,
        f.WORKING_PRESSURE_BAR,
        f.TEST_PRESSURE_BAR,
        f.VALVE_PRESSURE_BAR,
        f.SPEC,
        f.ALLOY,
        f.MANUFACTURED_ON,
        f.FIRST_USED_ON,
        f.SERVICE_LIFE_ENDS_ON,
        f.RULE_SET,
        f.REGIME,
        f.SET_ID,
        f.SET_POSITION,
        f.SET_KIND,
        f.BOOT_FITTED,
        f.EMPTY_MASS_KG,
        f.PLUS_MARKED,
    )
    + _must(f.STATUS)
    + _may(f.RATED_CAPACITY_CUFT, f.SERVICE_PRESSURE_PSI, f.RATED_AT_PSI),
)

_source(
    "set_members",
    "Which cylinder was in which set, when.",
    "set_id cylinder_id position from_on",
    _must(f.SET_ID, f.CYLINDER_ID, f.POSITION, f.FROM_ON) + _may(f.TO_ON),
    {"cylinder_id": "cylinder"},
)

_source(
    "inspections",
    "Inspections and tests.",
    "cylinder_id inspected_on kind",
    _must(f.CYLINDER_ID, f.INSPECTED_ON, f.INSPECTION_KIND, f.RESULT)
    + _may(f.INSPECTOR, f.PERMANENT_EXPANSION_PCT, f.FOUND_MASS_KG, f.FINDING, f.NOTE),
    {"cylinder_id": "cylinder"},
)

_source(
    "fills",
    "The fill log.",
    "fill_id",
    _must(f.FILL_ID, f.FILLED_AT, f.UNIT_ID)
    + _may(f.STATION_ID, f.OPERATOR, f.SOURCE_ID, f.FILL_METHOD)
    + _must(f.START_PRESSURE_BAR, f.TARGET_PRESSURE_BAR, f.STOP_PRESSURE_BAR)
    + _may(f.SECOND_STOP_PRESSURE_BAR, f.GAUGE_ID)
    + _must(f.AMBIENT_C)
    + _may(f.WALL_C, f.FILL_MINUTES)
    + _must(f.TARGET_O2_PCT)
    + _may(
        f.TARGET_HE_PCT,
        f.TARGET_AR_PCT,
        f.ANALYSED_O2_PCT,
        f.ANALYSED_HE_PCT,
        f.SECOND_ANALYSED_O2_PCT,
        f.ANALYSED_BY,
        f.ANALYSED_AT,
        f.CO_PPM,
        f.SETTLED_PRESSURE_BAR,
        f.SETTLED_C,
        f.SETTLED_AT,
        f.SETTLED_GAUGE_ID,
        f.MEMBER_ID,
    ),
    {"unit_id": "unit", "member_id": "member"},
)

_source(
    "fill_readings",
    "What was read of a fill after it was logged: its analysis, a settled pressure. The latest counts.",
    "fill_id read_at",
    _must(f.FILL_ID, f.READ_AT)
    + _may(
        f.ANALYSED_O2_PCT,
        f.ANALYSED_HE_PCT,
        f.SECOND_ANALYSED_O2_PCT,
        f.CO_PPM,
        f.SETTLED_PRESSURE_BAR,
        f.SETTLED_C,
        f.SETTLED_GAUGE_ID,
        f.READ_BY,
    ),
    {"fill_id": "fill"},
)
_source(
    "releases",
    "Holds that a person lifted.",
    "fill_id released_at",
    _must(f.FILL_ID, f.RELEASED_AT, f.RELEASED_BY, f.REASON),
    {"fill_id": "fill"},
)
_source(
    "loans",
    "Units lent to members.",
    "unit_id out_at",
    _must(f.UNIT_ID, f.MEMBER_ID, f.OUT_AT) + _may(f.DUE_ON, f.BACK_AT, f.BACK_PRESSURE_BAR),
    {"unit_id": "unit", "member_id": "member"},
)
_source(
    "returns",
    "Loans that came back, without writing the loan again: each ends the last loan of its unit that was out.",
    "unit_id back_at",
    _must(f.UNIT_ID, f.BACK_AT) + _may(f.BACK_PRESSURE_BAR),
    {"unit_id": "unit"},
)
_source(
    "gauges",
    "Gauges.",
    "gauge_id",
    _must(f.GAUGE_ID)
    + _may(f.STATION_ID, f.GAUGE_USE, f.ACCURACY_CLASS, f.SPAN_BAR, f.STEP_BAR, f.CHECKED_ON, f.OFFSET_BAR),
)
_source(
    "sources",
    "Compressors and banks that gas comes from.",
    "source_id",
    _must(f.SOURCE_ID, f.SOURCE_KIND) + _may(f.FED_BY, f.BANK_CAPACITY_L, f.O2_PCT, f.HE_PCT, f.OXYGEN_COMPATIBLE),
)
_source(
    "compressors",
    "Compressors.",
    "compressor_id",
    _must(f.COMPRESSOR_ID)
    + _may(f.FILTER_LIFE_HOURS, f.FILTER_REFERENCE_C, f.RATED_DELIVERY_FREE_L_MIN, f.SERVICE_HOURS),
)
_source(
    "compressor_log",
    "Readings and work at the compressor.",
    "compressor_id read_at event",
    _must(f.COMPRESSOR_ID, f.READ_AT, f.HOURS, f.EVENT)
    + _may(f.AMBIENT_C, f.OUTLET_C, f.PUMPED_FROM_BAR, f.PUMPED_TO_BAR, f.PUMPED_VOLUME_L, f.PUMPED_MINUTES),
)
_source(
    "air_tests",
    "Air purity tests.",
    "compressor_id sampled_on",
    _must(f.COMPRESSOR_ID, f.SAMPLED_ON)
    + _may(f.LABORATORY, f.O2_PCT, f.CO_PPM, f.CO2_PPM, f.OIL_MG_M3, f.HYDROCARBONS_PPM, f.WATER_MG_M3, f.ODOUR),
)
_source(
    "dives",
    "Dives.",
    "member_id dive_id",
    _must(f.DIVE_ID, f.MEMBER_ID, f.STARTED_AT)
    + _may(
        f.MODE,
        f.SURFACE_PRESSURE_BAR_ABS,
        f.WATER,
        f.AIR_C,
        f.WATER_C,
        f.DURATION_MIN,
        f.MEAN_DEPTH_M,
        f.MAX_DEPTH_M,
        f.SUIT,
        f.TEAM_SIZE,
        f.OVERHEAD,
        f.MANDATORY_STOPS,
        f.GAS_SHARED,
    ),
    {"member_id": "member"},
)
_source(
    "dive_tanks",
    "Tanks of a dive.",
    "member_id dive_id tank_no",
    _must(f.DIVE_ID)
    + _may(f.MEMBER_ID)
    + _must(f.TANK_NO)
    + _may(f.UNIT_ID)
    + _must(f.ROLE)
    + _may(
        f.WATER_CAPACITY_L,
        f.O2_PCT,
        f.HE_PCT,
        f.AR_PCT,
        f.START_PRESSURE_BAR,
        f.END_PRESSURE_BAR,
        f.SECOND_GAUGE_END_BAR,
        f.TANK_REF,
    ),
    {"dive_id": "dive", "unit_id": "unit"},
)
_source(
    "dive_samples",
    "Samples of a dive.",
    "member_id dive_id t_s",
    _must(f.DIVE_ID) + _may(f.MEMBER_ID) + _must(f.T_S, f.DEPTH_M) + _may(f.WATER_C, *f.TANK_BARS),
    {"dive_id": "dive"},
)
_source(
    "links",
    "What other systems call our members, units and dives.",
    "kind source_ref member_id",
    _must(f.SOURCE_REF, f.LINK_KIND, f.TARGET_ID) + _may(f.MEMBER_ID),
    {"member_id": "member", "target_id": "link"},
)
_source(
    "kits",
    "What a member wears, apart from the cylinders.",
    "member_id valid_from",
    _must(f.MEMBER_ID, f.VALID_FROM)
    + _may(f.LIFT_CAPACITY_KG, f.BALLAST_KG, f.OTHER_NEGATIVE_KG, f.SUIT_BUOYANCY_KG, f.SUIT_BUOYANCY_AT_DEPTH_KG),
    {"member_id": "member"},
)
_source(
    "bookings",
    "Cylinders booked for courses.",
    "starts_on ends_on material water_capacity_l",
    _must(f.STARTS_ON, f.ENDS_ON, f.CYLINDERS_NEEDED) + _may(f.MATERIAL, f.WATER_CAPACITY_L),
)
_source(
    "withdrawals",
    "Rows that a person took out of everything computed, and brought back.",
    "source key withdrawn_at",
    _must(f.WITHDRAWN_SOURCE, f.WITHDRAWN_KEY, f.WITHDRAWN_AT, f.WITHDRAWN_BY, f.REASON),
)
_source(
    "visits",
    "Visits of the inspector.",
    "visit_on",
    _must(f.VISIT_ON, f.CAPACITY) + _may(f.KINDS_TAKEN) + _must(f.BACK_ON),
)

#: registers first, so that few rows have to wait; `dive_tanks` and `dive_samples` after `dives`
INTAKE_ORDER = (
    "members",
    "cylinders",
    "set_members",
    "gauges",
    "sources",
    "compressors",
    "links",
    "inspections",
    "fills",
    "fill_readings",
    "releases",
    "loans",
    "returns",
    "compressor_log",
    "air_tests",
    "kits",
    "bookings",
    "visits",
    "dives",
    "dive_tanks",
    "dive_samples",
    "withdrawals",
)
assert set(INTAKE_ORDER) == set(SOURCES)
