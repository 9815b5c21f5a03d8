"""The published tables: which columns each has, what a row is, and how a snapshot splits it into parts."""

from dataclasses import dataclass

from schemas import fields as f
from schemas.fields import Field


@dataclass(frozen=True)
class Table:
    """One published table. `by_member` tables are written as one part a member."""

    name: str
    says: str
    key: tuple[str, ...]
    fields: dict[str, Field]
    by_member: bool = False
    #: a step's working columns, for later steps alone: kept as they are, not exported
    internal: bool = False

    @property
    def columns(self) -> list[str]:
        """Their names, in order."""
        return list(self.fields)


TABLES: dict[str, Table] = {}


def _table(name, says, key, *columns, by_member=False, internal=False):
    TABLES[name] = Table(name, says, tuple(key.split()), {c.name: c for c in columns}, by_member, internal)


_table(
    "fill_quality", "A row a fill: what is really in the cylinder, and whether it may be handed over.", "fill_id",
    f.FILL_ID, f.FILLED_AT, f.UNIT_ID, f.STATION_ID, f.OPERATOR, f.SOURCE_ID, f.GAUGE_ID, f.MEMBER_ID,
    f.UNIT_CAPACITY_L, f.WORKING_PRESSURE_BAR, f.PERMITTED_BAR, f.START_PRESSURE_BAR, f.TARGET_PRESSURE_BAR,
    f.STOP_PRESSURE_BAR, f.AMBIENT_C, f.FILL_MINUTES, f.GAS_C, f.GAS_C_BASIS, f.SETTLED_PRESSURE_BAR_15C,
    f.SETTLED_LOW_BAR_15C, f.SETTLED_HIGH_BAR_15C, f.SETTLED_PRESSURE_BAR_REF, f.REFERENCE_C, f.WATER_C,
    f.WATER_C_BASIS, f.READS_IN_WATER_BAR, f.NOMINAL_FREE_L, f.REAL_FREE_L, f.REAL_LOW_FREE_L, f.REAL_HIGH_FREE_L,
    f.SHORTFALL_FREE_L, f.SHORTFALL_PCT, f.STOPPED_EARLY_FREE_L, f.COMPRESSIBILITY_FREE_L, f.COOLING_FREE_L,
    f.COOLING_BAR, f.OVER_WORKING_PRESSURE, f.O2_PCT, f.HE_PCT, f.EXPECTED_O2_PCT, f.EXPECTED_HE_PCT, f.O2_ERROR_PCT,
    f.MIX_VERDICT, f.MAX_OPERATING_DEPTH_M, f.MAX_OPERATING_DEPTH_DECO_M, f.MIN_OPERATING_DEPTH_M, f.IN_TEST,
    f.OXYGEN_CLEAN, f.SIDE_DISAGREEMENT, f.FILL_RATE_BAR_MIN, f.ADDED_FREE_L, f.GAS_MASS_KG, f.CO_PPM, f.AIR_STATE,
    f.AIR_FAILED_ON, f.MODEL_VERSION, f.VERDICT, f.REASONS, f.RELEASED, f.HANDED_OVER_VERDICT,
    f.HANDED_OVER_SETTLED_BAR_15C, f.ON_HOLD, f.LATEST_FILL, f.CYLINDERS_FILLED, f.ANALYSED_O2_PCT, f.ANALYSED_HE_PCT,
    f.ANALYSED_BY, f.ANALYSED_AT, f.FILL_METHOD, f.TARGET_O2_PCT, f.TARGET_HE_PCT, f.GAS_AND_WALL_C,
)
_table(
    "cylinder_health", "A row a cylinder: dates, leaks and what stands against it.", "cylinder_id",
    f.CYLINDER_ID, f.OWNER_ID, f.HELD_BY, f.SET_ID, f.STATUS, f.LAST_VISUAL_ON, f.LAST_HYDROSTATIC_ON, f.NEXT_DUE_ON,
    f.NEXT_DUE_KIND, f.DAYS_TO_DUE, f.INSPECTION_STATE, f.RULE_SET, f.FILLS_SINCE_HYDROSTATIC, f.FILLS_OUT_OF_DATE,
    f.LEAK_BAR_PER_DAY, f.LEAK_LOW_BAR_PER_DAY, f.LEAK_HIGH_BAR_PER_DAY, f.LEAK_FLAG, f.LEAK_BASIS,
    f.SHORT_FILL_SHARE, f.LAST_SEEN_AT, f.SCORE_REASONS,
)
_table(
    "inspection_plan", "Which cylinder to send on which visit.", "visit_on cylinder_id kind",
    f.VISIT_ON, f.CYLINDER_ID, f.PLAN_KIND, f.DUE_ON, f.DAYS_EARLY, f.IN_SERVICE_AFTER,
)
_table(
    "booking_cover", "Whether bookings find enough cylinders in service.",
    "starts_on ends_on material water_capacity_l",
    f.STARTS_ON, f.ENDS_ON, f.NEEDED, f.AVAILABLE, f.SHORT_BY, f.FREED_BY, f.MATERIAL, f.WATER_CAPACITY_L,
)
_table(
    "dive_consumption", "A row a dive: what was breathed. A later dive changes none of it.", "member_id dive_id",
    f.DIVE_ID, f.MEMBER_ID, f.STARTED_AT, f.FILL_ID, f.DIVES_SINCE_FILL, f.DURATION_MIN, f.MEAN_DEPTH_M,
    f.MAX_DEPTH_M, f.MEAN_AMBIENT_BAR_ABS, f.GAS_USED_FREE_L, f.GAS_USED_LOW_FREE_L, f.GAS_USED_HIGH_FREE_L,
    f.COOLING_BAR, f.RMV_L_MIN, f.RMV_LOW_L_MIN, f.RMV_HIGH_L_MIN, f.IDEAL_RMV_L_MIN, f.SAC_BAR_MIN,
    f.SUIT_GAS_FREE_L, f.SECOND_GAUGE_GAP_BAR, f.MAX_PPO2_BAR, f.METHOD, f.FLAGS, f.WATER_C, by_member=True,
)
_table(
    "dive_tank_use", "A row a tank of a dive.", "member_id dive_id tank_no",
    f.DIVE_ID, f.MEMBER_ID, f.TANK_NO, f.UNIT_ID, f.ROLE, f.O2_PCT, f.HE_PCT, f.START_PRESSURE_BAR,
    f.END_PRESSURE_BAR, f.GAS_USED_FREE_L, f.GAS_USED_LOW_FREE_L, f.GAS_USED_HIGH_FREE_L, f.COOLING_BAR, f.FILL_ID,
    f.START_GAS_C, by_member=True,
)
_table(
    "tank_suggestions", "A row a tank of a dive that no unit is known for, with the one it probably was.",
    "member_id dive_id tank_no",
    f.DIVE_ID, f.MEMBER_ID, f.TANK_NO, f.SOURCE_REF, f.TANK_REF, f.STARTED_AT, f.ROLE, f.WATER_CAPACITY_L, f.O2_PCT,
    f.START_PRESSURE_BAR, f.SUGGESTED_UNIT_ID, f.REASONS, f.OTHER_UNIT_IDS,
)
_table(
    "dive_duplicates", "A row a record of a dive that another record tells as well: kept in history only.",
    "member_id dive_id",
    f.MEMBER_ID, f.DIVE_ID, f.STARTED_AT, f.KEPT_DIVE_ID, f.DUPLICATE_REASON, by_member=True,
)
_table(
    "dive_profile", "At most 400 points a dive, extremes and the least margin kept.", "member_id dive_id t_s",
    f.DIVE_ID, f.MEMBER_ID, f.T_S, f.DEPTH_M, f.TANK_BAR, f.GAS_C, f.USABLE_FREE_L, f.REQUIRED_FREE_L, f.MARGIN_FREE_L,
    by_member=True,
)
_table(
    "consumption_trend", "A row a member and dive, seeing no later dive.", "member_id dive_id",
    f.MEMBER_ID, f.DIVE_ID, f.STARTED_AT, f.LEVEL_RMV_L_MIN, f.LEVEL_LOW_L_MIN, f.LEVEL_HIGH_L_MIN,
    f.PLANNING_RMV_L_MIN, f.SLOPE_PCT_PER_MONTH, f.SLOPE_LOW_PCT, f.SLOPE_HIGH_PCT, f.SLOPE_SURE,
    f.CHANGE_12M_PCT, f.CHANGE_12M_LOW_PCT, f.CHANGE_12M_HIGH_PCT, f.CHANCE_RISEN, f.TREND,
    f.NEXT_LOW_L_MIN, f.NEXT_HIGH_L_MIN, f.FLAGS, f.MODEL_VERSION, by_member=True,
)
_table(
    "condition_effects", "What conditions do to the rate, over all members.", "condition",
    f.CONDITION, f.EFFECT_PCT, f.EFFECT_LOW_PCT, f.EFFECT_HIGH_PCT,
)
_table(
    "dive_reserve", "A row a dive with an end pressure: gas left against the gas needed.", "member_id dive_id",
    f.DIVE_ID, f.MEMBER_ID, f.SURFACED_BAR, f.SURFACED_FREE_L, f.BELOW_SURFACING_MIN, f.LEAST_MARGIN_FREE_L,
    f.LEAST_MARGIN_AT_S, f.LEAST_MARGIN_DEPTH_M, f.REQUIRED_FREE_L_THERE, f.LEAST_MARGIN_ONE_SIDE_FREE_L,
    f.THIRDS_MARGIN_FREE_L, f.BELOW_POLICY, f.CAUSE, f.CAUSE_SHARES, f.FLAGS, f.STARTED_AT, f.CRITICAL_RMV_L_MIN,
    f.CHANCE_BEFORE, f.START_LACKING_FREE_L, f.FILL_LOW_BAR, f.FILL_ID, by_member=True,
)
_table(
    "reserve_watch", "A row a member: whose reserves run thin.", "member_id",
    f.MEMBER_ID, f.DIVES_CONSIDERED, f.DIVES_NOT_ASSESSED, f.DIVES_BELOW_POLICY, f.CHANCE_NEXT_BELOW,
    f.MEDIAN_MARGIN_FREE_L, f.MAIN_CAUSE, f.WATCH_STATE, f.REASON, f.DIVES_SURFACED_KNOWN, f.DIVES_BELOW_SURFACING_MIN,
    f.LEAST_SURFACED_BAR,
)
_table(
    "reserve_reliability", "How often dives with a given chance were below policy.", "chance_from",
    f.CHANCE_FROM, f.CHANCE_TO, f.DIVES, f.SHARE_BELOW, f.MEAN_CHANCE,
)
_table(
    "kit_balance", "A row a dive with a kit: weighting and lift.", "member_id dive_id",
    f.DIVE_ID, f.MEMBER_ID, f.GAS_MASS_START_KG, f.GAS_MASS_END_KG, f.NET_START_KG, f.NET_END_KG, f.NET_LOW_GAS_KG,
    f.LIFT_MARGIN_KG, f.BALLAST_MARGIN_KG, f.FLAGS, by_member=True,
)
_table(
    "air_quality", "A row an air test and limit.", "compressor_id sampled_on quantity",
    f.COMPRESSOR_ID, f.SAMPLED_ON, f.QUANTITY, f.VALUE_NUMBER, f.LIMIT, f.LIMIT_SOURCE, f.AIR_VERDICT,
)
_table(
    "compressor_health", "A row a compressor.", "compressor_id",
    f.COMPRESSOR_ID, f.HOURS, f.HOURS_SINCE_FILTER, f.FILTER_HOURS_LEFT, f.SERVICE_DUE_ON, f.FREE_AIR_DELIVERY_L_MIN,
    f.DELIVERY_CHANGE_PCT, f.AIR_TEST_DUE_ON, f.COMPRESSOR_STATE, f.REASONS, f.AIR_STATE, f.AIR_FAILED_ON, f.AIR_FAULT,
)
_table(
    "recall", "Fills behind a failed air test, or of unknown source while one stood, not known to be used up.",
    "fill_id",
    f.FILL_ID, f.UNIT_ID, f.HELD_BY, f.RECALL_REASON, f.SINCE, f.AIR_STATE, f.CYLINDER_IDS)
_table(
    "settling_model",
    "What was learned from settled readings; at a station of 2,000 fills or more until the day began.",
    "station_id source_id material size",
    f.STATION_ID, f.SOURCE_ID, f.MATERIAL, f.SIZE, f.SETTLED_FILLS, f.EFFECT_BAR, f.EFFECT_LOW_BAR, f.EFFECT_HIGH_BAR,
    f.GAIN_OF_NEXT_READING_BAR,
)
_table(
    "settling_check", "Each prediction, made before its reading was known.", "fill_id",
    f.FILL_ID, f.SETTLED_FILLS_BEFORE, f.PREDICTED_BAR, f.PREDICTED_LOW_BAR, f.PREDICTED_HIGH_BAR, f.MEASURED_BAR,
)
_table(
    "settling_record", "How a station's latest predictions turned out, and what follows for the next.", "station_id",
    f.STATION_ID, f.ANSWERS, f.ANSWERS_INSIDE, f.PREDICTED_OFF_BAR, f.TOO_NARROW, f.BIASED, f.SHIFT_BAR, f.WIDENING,
)
_table("gauge_check", "A row a gauge and month.", "gauge_id month_on",
       f.GAUGE_ID, f.MONTH_ON, f.GAUGE_OFFSET_BAR, f.OFFSET_LOW_BAR, f.OFFSET_HIGH_BAR, f.DRIFTING)
_table(
    "gas_added", "A row a month, source and member: gas given, for accounts.", "month_on source_id member_id",
    f.MONTH_ON, f.SOURCE_ID, f.MEMBER_ID, f.FILLS_COUNT, f.ADDED_FREE_L, f.OXYGEN_FREE_L, f.HELIUM_FREE_L,
)
_table("people", "Members by name.", "member_id", f.MEMBER_ID, f.DISPLAY_NAME)
_table(
    "units", "What is filled: cylinders and manifolded sets.", "unit_id",
    f.UNIT_ID, f.SET_ID, f.SIDE, f.JOINED, f.MATERIAL, f.UNIT_CAPACITY_L, f.CAPACITY_BASIS, f.WORKING_PRESSURE_BAR,
    f.PERMITTED_BAR, f.TEST_PRESSURE_BAR, f.CAPACITY_SD_PCT, f.VALVE_RATING_KNOWN, f.EMPTY_MASS_KG, f.FLAGS,
    f.IN_TEST_TODAY, f.OXYGEN_CLEAN_TODAY,
)
_table(
    "gas_sources", "Compressors and banks, and how the air of each stands today.", "source_id",
    f.SOURCE_ID, f.SOURCE_KIND, f.FED_BY, f.BANK_CAPACITY_L, f.O2_PCT, f.HE_PCT, f.OXYGEN_COMPATIBLE, f.AIR_STATE,
    f.COMPRESSOR_ID, f.AIR_FAILED_ON, f.AIR_FAULT, f.OUTLET_RISE_K,
)
_table("cylinder_life", "What happened to a cylinder.", "cylinder_id at event",
       f.CYLINDER_ID, f.AT, f.LIFE_EVENT, f.VALUE_NUMBER, f.FILL_ID, f.DIVE_ID, f.CODE)
_table(
    "rejects", "A row a problem.", "file_sha256 file row_number column rule",
    f.SOURCE, f.FILE, f.FILE_SHA256, f.ROW_NUMBER, f.LINE, f.COLUMN, f.VALUE_TEXT, f.SEVERITY, f.RULE, f.MESSAGE,
    f.FIX, f.FIRST_SEEN_AT, f.RESOLVED_AT, f.PROBLEM_ID, f.DISMISSED_AT, f.DISMISSED_BY, f.DISMISSED_REASON,
)
_table(
    "ingest_files", "A row a file.", "file_sha256 file",
    f.FILE, f.FILE_SHA256, f.SOURCE, f.RECEIVED_AT, f.MODIFIED_AT, f.OUTCOME, f.MAPPING_HASH, f.ROWS_READ,
    f.ROWS_ACCEPTED, f.ROWS_REJECTED, f.SEEN_AGAIN, f.RUN_ID,
)
_table("notices", "What is to be known of the files, without a rejected row.", "file rule value",
       f.FILE, f.RULE, f.VALUE_TEXT, f.MESSAGE, f.FIX, f.FIRST_SEEN_AT)
_table(
    "withdrawn", "What is withdrawn now: rows, whole files, and problems that were dismissed.", "source key",
    f.WITHDRAWN_SOURCE, f.WITHDRAWN_KEY, f.WITHDRAWN_AT, f.WITHDRAWN_BY, f.REASON, f.OUT_FILES, f.OUT_ROWS,
    f.GIVEN_AGAIN_IN,
)
_table("hold_releases", "Holds that a person lifted, with the reason.", "fill_id released_at",
       f.FILL_ID, f.UNIT_ID, f.RELEASED_AT, f.RELEASED_BY, f.REASON)
_table("corrections", "Rows of the last 30 days that say other than the version that came in before.", "source key",
       f.SOURCE, f.ROW_KEY, f.FILE, f.RECEIVED_AT)
_table("runs", "A row a run.", "run_id",
       f.RUN_ID, f.RUN_STARTED_AT, f.FINISHED_AT, f.AS_OF_ON, f.OUTCOME, f.ROWS_BY_TABLE, f.SECONDS_BY_STEP)

for _name, _says in (
    ("fills_before_dives", "Fills as the dives see them: what each was taken for when it was made."),
    ("fills_judged", "Fills with all that is known today, without what was first published of them."),
    ("settling_predicted", "Predictions from all that is known today."),
    ("settling_corrections", "What each station's record says of its next predictions."),
    ("dive_trace", "A row a sample: content and gas temperature."),
    ("dive_lessons", "What each dive by itself teaches of cylinders, kit and diver."),
    ("settling_learned", "What the readings of each station have taught, to judge new fills by."),
    ("settling_learned_then", "The same, without what dives say: what new fills are taken for by."),
    ("water_readings", "What transmitters read in the water of the dive that followed each fill."),
    ("fills_given", "A hash of all that each fill was judged by, to know which are new."),
    ("dive_station", "What all dives teach, by month: what each dive can start from."),
    ("lesson_months", "The last month of which each member's dives teach something."),
    ("parts_together", "The parts of a table as one, where there are many and the last run changed none."),
    ("dive_fits", "What the traces say of the fills they started with."),
    ("dive_surfacing", "What the back gas read at the end of each dive with an end pressure."),
    ("leak_rates", "What each unit loses in storage, with all units fitted together."),
    ("leak_intervals", "Times in which nobody breathed from a unit, with what was lost in them."),
    ("reserve_margins", "Margins of each dive, and the chance of going below drawn from the dives before it."),
    ("reserve_correction", "What the station's record corrects of such chances, a row a month."),
    ("trend_state", "What was known of each member's level after each dive."),
    ("trend_model", "What all members share, a row a month."),
    ("member_logins", "Members by the hash of their address, for signing in."),
):
    TABLES[_name] = Table(_name, _says, (), {}, internal=True)
