"""Every field of the contract, declared once: name, kind, unit, bounds, choices and a sentence.

Inputs (`sources.py`) and published tables (`tables.py`) list these fields; the pandera models, the data
dictionary, the column help on screen and the notes of the log workbooks are made from them. Where two
files use one header for different things (`kind`), there are two fields with that name.
"""

from dataclasses import dataclass, replace

from schemas.codes.fills import AIR_STATES

KINDS = ("text", "float", "int", "bool", "time", "date", "choice", "codes", "ids", "json")


@dataclass(frozen=True)
class Field:
    """One column: `kind` is one of KINDS, bounds are inclusive and in `unit`."""

    name: str
    kind: str
    says: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    #: a time or date that may lie ahead (a booking); else after tomorrow it cannot have happened
    may_lie_ahead: bool = False

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(f"field {self.name}: unknown kind {self.kind!r}")


FIELDS: list[Field] = []


def _declare(kind):
    def make(name, says, unit="", low=None, high=None, choices=(), may_lie_ahead=False):
        field = Field(name, kind, says, unit, low, high, tuple(choices), may_lie_ahead)
        FIELDS.append(field)
        return field

    return make


text, number, whole, flag, moment, day, choice, codes, ids, nested = (
    _declare(k) for k in ("text", "float", "int", "bool", "time", "date", "choice", "codes", "ids", "json")
)


def again(field: Field, **changes) -> Field:
    """The same field under another name or with another sentence: bounds and unit are said once."""
    made = replace(field, **changes)
    FIELDS.append(made)
    return made


# --- who and what -----------------------------------------------------------------------------
MEMBER_ID = text("member_id", "The member.")
DISPLAY_NAME = text("display_name", "Name shown to people.")
EMAIL = text("email", "Address for sign-in; never shown.")
JOINED_ON = day("joined_on", "Member since.")
MIX_QUALIFICATION = choice(
    "mix_qualification",
    "What the member is qualified to breathe.",
    choices=("air", "nitrox", "normoxic_trimix", "trimix"),
)
CYLINDER_ID = text("cylinder_id", "The cylinder; shares one namespace with set_id.")
UNIT_ID = text("unit_id", "What is filled and dived: a cylinder or a manifolded set.")
SET_ID = text("set_id", "The set the cylinder belongs to.")
OWNER_ID = text("owner_id", "A member_id or `station`.")
OPERATOR = text("operator", "Who filled.")
STATION_ID = text("station_id", "Where it was filled.")
SOURCE_ID = text("source_id", "Compressor or bank the gas came from.")
GAUGE_ID = text("gauge_id", "Gauge it was read on.")
COMPRESSOR_ID = text("compressor_id", "The compressor.")
FILL_ID = text("fill_id", "The fill.")
DIVE_ID = text("dive_id", "The dive, unique with member_id.")
TANK_NO = whole("tank_no", "Number of the tank in this dive.", low=1, high=6)

# --- cylinders --------------------------------------------------------------------------------
MATERIAL = choice("material", "What the cylinder is made of.", choices=("steel", "aluminium", "composite"))
WATER_CAPACITY_L = number("water_capacity_l", "Water capacity.", "litres", low=0.1, high=200)
UNIT_CAPACITY_L = number("water_capacity_l", "Water capacity of the unit, all its cylinders.", "litres", low=0)
WORKING_PRESSURE_BAR = number(
    "working_pressure_bar", "Working pressure stamped on the cylinder.", "bar, gauge", low=50, high=400
)
TEST_PRESSURE_BAR = number(
    "test_pressure_bar", "Test pressure stamped on the cylinder.", "bar, gauge", low=70, high=700
)
VALVE_PRESSURE_BAR = number(
    "valve_pressure_bar", "Rating of valve, outlet or manifold.", "bar, gauge", low=50, high=400
)
SPEC = text("spec", "Specification stamped on the cylinder.")
ALLOY = text("alloy", "Alloy, as stamped or from the maker's papers.")
MANUFACTURED_ON = day("manufactured_on", "Date of manufacture or first test.")
FIRST_USED_ON = day("first_used_on", "First use.")
SERVICE_LIFE_ENDS_ON = day("service_life_ends_on", "End of service life.", may_lie_ahead=True)
RULE_SET = text("rule_set", "Rule set of its inspection dates.")
REGIME = text("regime", "Inspection regime it is under, where a rule set knows several.")
SET_POSITION = choice("set_position", "Side of the set, as worn.", choices=("left", "right"))
SET_KIND = choice("set_kind", "How the set is joined.", choices=("manifolded", "independent", "sidemount"))
BOOT_FITTED = flag("boot_fitted", "A boot hides the base.")
EMPTY_MASS_KG = number("empty_mass_kg", "Stamped empty mass, without valve.", "kg", low=0.2, high=200)
PLUS_MARKED = flag("plus_marked", "Stamped + : may be filled 10 % over its service pressure while in test.")
STATUS = choice("status", "State in the register.", choices=("in_service", "withdrawn", "condemned"))
RATED_CAPACITY_CUFT = number("rated_capacity_cuft", "Rated content.", "cubic feet", low=1, high=400)
SERVICE_PRESSURE_PSI = number("service_pressure_psi", "Service pressure.", "psi", low=700, high=6000)
RATED_AT_PSI = number("rated_at_psi", "Pressure at which the rated content was stated.", "psi", low=700, high=6000)
POSITION = again(SET_POSITION, name="position")
FROM_ON = day("from_on", "From this day.")
TO_ON = day("to_on", "Up to this day; empty: still.", may_lie_ahead=True)

# --- inspections ------------------------------------------------------------------------------
INSPECTED_ON = day("inspected_on", "Day of the inspection.")
INSPECTION_KIND = choice(
    "kind",
    "Kind of inspection.",
    choices=("visual", "hydrostatic", "eddy_current", "ultrasonic", "oxygen_clean", "valve_service"),
)
RESULT = choice("result", "Outcome.", choices=("pass", "fail", "condemned"))
INSPECTOR = text("inspector", "Who inspected.")
PERMANENT_EXPANSION_PCT = number("permanent_expansion_pct", "Permanent in total expansion.", "%", low=0, high=100)
FOUND_MASS_KG = number("found_mass_kg", "Mass found, without valve.", "kg", low=0.2, high=200)
FINDING = choice("finding", "What was found.", choices=("none", "corrosion", "pitting", "thread", "coating", "other"))
NOTE = text("note", "Free words.")

# --- fills ------------------------------------------------------------------------------------
FILLED_AT = moment("filled_at", "Moment of stop.")
FILL_METHOD = choice(
    "fill_method", "How the mix was made.", choices=("air", "banked_mix", "continuous", "partial_pressure")
)
START_PRESSURE_BAR = number("start_pressure_bar", "Gauge at the start.", "bar, gauge", low=0, high=450)
TARGET_PRESSURE_BAR = number("target_pressure_bar", "Pressure asked for.", "bar, gauge", low=1, high=450)
STOP_PRESSURE_BAR = number("stop_pressure_bar", "Gauge at stop.", "bar, gauge", low=0, high=450)
SECOND_STOP_PRESSURE_BAR = again(
    STOP_PRESSURE_BAR, name="second_stop_pressure_bar", says="Gauge at stop, other side of a set."
)
AMBIENT_C = number("ambient_c", "Air around the cylinder.", "°C", low=-40, high=60)
WALL_C = number("wall_c", "Wall at mid-height within a minute of stop.", "°C", low=-40, high=120)
FILL_MINUTES = number("fill_minutes", "How long the fill took.", "min", low=0.05, high=1440)
TARGET_O2_PCT = number("target_o2_pct", "Oxygen asked for.", "molar %", low=0, high=100)
TARGET_HE_PCT = number("target_he_pct", "Helium asked for.", "molar %", low=0, high=100)
TARGET_AR_PCT = number("target_ar_pct", "Argon asked for (suit gas).", "molar %", low=0, high=100)
ANALYSED_O2_PCT = number("analysed_o2_pct", "Oxygen analysed.", "molar %", low=0, high=100)
ANALYSED_HE_PCT = number("analysed_he_pct", "Helium analysed.", "molar %", low=0, high=100)
SECOND_ANALYSED_O2_PCT = again(
    ANALYSED_O2_PCT, name="second_analysed_o2_pct", says="Oxygen analysed, other side of a set."
)
ANALYSED_BY = text("analysed_by", "Who analysed.")
ANALYSED_AT = moment("analysed_at", "When it was analysed.")
CO_PPM = number("co_ppm", "Carbon monoxide measured.", "ppm", low=0, high=10000)
SETTLED_PRESSURE_BAR = again(
    STOP_PRESSURE_BAR, name="settled_pressure_bar", says="A later reading of the closed cylinder."
)
SETTLED_C = number("settled_c", "Surroundings at the later reading.", "°C", low=-30, high=60)
SETTLED_AT = moment("settled_at", "When the later reading was taken.")
SETTLED_GAUGE_ID = text("settled_gauge_id", "Gauge of the later reading; empty: the check gauge.")
RELEASED_AT = moment("released_at", "When the hold was lifted.")
RELEASED_BY = text("released_by", "Who lifted it.")
REASON = text("reason", "Why.")
WITHDRAWN_SOURCE = text(
    "source",
    "The source whose row is withdrawn, as `fills`; `withdrawals` to bring one back; `files` for every row of a file; "
    "`problems` to dismiss a problem.",
)
WITHDRAWN_KEY = text(
    "key",
    "The key of the row: its parts joined by ` · ` (or `|`), in the order in which the source lists them, times as "
    "`2031-05-20 14:30Z`. Of `withdrawals` the source and key that it names, as `fills:F-0012`; of `files` the sha256 "
    "or its first 8 digits or more; of `problems` the problem_id.",
)
WITHDRAWN_AT = moment("withdrawn_at", "When it was withdrawn; the newest withdrawal of a row decides.")
WITHDRAWN_BY = text("withdrawn_by", "Who withdrew it.")
OUT_AT = moment("out_at", "Lent.")
DUE_ON = day("due_on", "Due.", may_lie_ahead=True)
BACK_AT = moment("back_at", "Returned; empty: still out.")
BACK_PRESSURE_BAR = again(STOP_PRESSURE_BAR, name="back_pressure_bar", says="Gauge on return.")
GAUGE_USE = choice("use", "What the gauge is used for.", choices=("filling", "check"))
ACCURACY_CLASS = number("accuracy_class", "Accuracy class by EN 837-1: limit of error.", "% of span", low=0.05, high=10)
SPAN_BAR = number("span_bar", "Span.", "bar", low=10, high=1000)
STEP_BAR = number("step_bar", "Smallest step read.", "bar", low=0.01, high=20)
CHECKED_ON = day("checked_on", "Last checked against a reference.")
OFFSET_BAR = number("offset_bar", "Known offset, reading minus truth.", "bar", low=-50, high=50)

# --- sources of gas and air -------------------------------------------------------------------
SOURCE_KIND = choice("kind", "Kind of source.", choices=("compressor", "bank"))
FED_BY = text("fed_by", "The source that feeds it; several with ; between them.")
BANK_CAPACITY_L = number("water_capacity_l", "Water capacity of the bank.", "litres", low=0.1, high=100000)
O2_PCT = number("o2_pct", "Oxygen.", "molar %", low=0, high=100)
HE_PCT = number("he_pct", "Helium.", "molar %", low=0, high=100)
AR_PCT = number("ar_pct", "Argon.", "molar %", low=0, high=100)
OXYGEN_COMPATIBLE = flag("oxygen_compatible", "Its air may go into oxygen-clean cylinders.")
FILTER_LIFE_HOURS = number("filter_life_hours", "Filter life at the reference intake.", "h", low=1, high=10000)
FILTER_REFERENCE_C = number(
    "filter_reference_c", "Intake temperature the filter life is stated for.", "°C", low=-20, high=60
)
RATED_DELIVERY_FREE_L_MIN = number(
    "rated_delivery_free_l_min", "Rated free air delivery.", "free L/min", low=1, high=100000
)
SERVICE_HOURS = number("service_hours", "Hours between services.", "h", low=1, high=100000)
READ_AT = moment("read_at", "When it was read.")
READ_BY = text("read_by", "Who read it.")
HOURS = number("hours", "Hour counter.", "h", low=0, high=1e6)
EVENT = choice("event", "What happened.", choices=("reading", "filter_change", "oil_change", "service"))
OUTLET_C = number("outlet_c", "Air at the outlet.", "°C", low=-40, high=150)
OUTLET_RISE_K = number(
    "outlet_rise_k", "How much warmer than its surroundings it delivers, by the compressor's log.", "K"
)
PUMPED_FROM_BAR = again(STOP_PRESSURE_BAR, name="pumped_from_bar", says="Gauge at the start of a timed run.")
PUMPED_TO_BAR = again(STOP_PRESSURE_BAR, name="pumped_to_bar", says="Gauge at its end.")
PUMPED_VOLUME_L = number("pumped_volume_l", "Water capacity pumped up.", "litres", low=0.1, high=100000)
PUMPED_MINUTES = number("pumped_minutes", "Minutes it took.", "min", low=0.05, high=10000)
SAMPLED_ON = day("sampled_on", "Day of the sample.")
LABORATORY = text("laboratory", "Who tested.")
CO2_PPM = number("co2_ppm", "Carbon dioxide.", "ppm", low=0, high=100000)
OIL_MG_M3 = number("oil_mg_m3", "Oil.", "mg/m³", low=0, high=1000)
HYDROCARBONS_PPM = number("hydrocarbons_ppm", "Total hydrocarbons, as methane.", "ppm", low=0, high=100000)
WATER_MG_M3 = number("water_mg_m3", "Water.", "mg/m³", low=0, high=30000)
ODOUR = flag("odour", "It smells.")

# --- dives ------------------------------------------------------------------------------------
STARTED_AT = moment("started_at", "Begin of the dive.")
MODE = choice(
    "mode", "Breathing apparatus; empty: open circuit.", choices=("open_circuit", "semi_closed", "closed_circuit")
)
SURFACE_PRESSURE_BAR_ABS = number(
    "surface_pressure_bar_abs", "Air pressure at the surface.", "bar, absolute", low=0.5, high=1.1
)
WATER = choice("water", "Kind of water; empty: salt.", choices=("salt", "fresh"))
AIR_C = number("air_c", "Air before the dive.", "°C", low=-50, high=60)
WATER_C = number("water_c", "Water.", "°C", low=-5, high=40)
DURATION_MIN = number("duration_min", "Duration.", "min", low=0.1, high=2880)
MEAN_DEPTH_M = number("mean_depth_m", "Mean depth.", "m", low=0, high=350)
MAX_DEPTH_M = number("max_depth_m", "Greatest depth.", "m", low=0, high=350)
SUIT = choice("suit", "Suit worn.", choices=("wet", "semidry", "dry"))
TEAM_SIZE = whole("team_size", "Divers who would breathe from this supply, the diver included.", low=1, high=6)
OVERHEAD = flag("overhead", "No direct way up.")
MANDATORY_STOPS = flag("mandatory_stops", "The dive carried mandatory stops.")
GAS_SHARED = flag("gas_shared", "Someone else breathed from this supply.")
ROLE = choice(
    "role", "What the tank was carried for.", choices=("back", "stage", "deco", "bailout", "suit", "oxygen", "diluent")
)
END_PRESSURE_BAR = again(STOP_PRESSURE_BAR, name="end_pressure_bar", says="Gauge at the end.")
SECOND_GAUGE_END_BAR = again(
    STOP_PRESSURE_BAR, name="second_gauge_end_bar", says="Other post of a set at the end, read by hand."
)
T_S = number("t_s", "Time since the start of the dive.", "s", low=0, high=172800)
DEPTH_M = number("depth_m", "Depth.", "m", low=-0.5, high=350)
TANK_BARS = tuple(again(STOP_PRESSURE_BAR, name=f"tank_{n}_bar", says=f"Gauge of tank {n}.") for n in range(1, 7))
SOURCE_REF = text(
    "source_ref",
    "Identifier in the other system; for a tank that has none there, its dive here and its number, as "
    "`M01-20310520T091200Z tank 1`.",
)
SUGGESTED_UNIT_ID = text(
    "suggested_unit_id", "Unit it probably was; empty where nothing says whose, or two are as likely."
)
OTHER_UNIT_IDS = ids("other_unit_ids", "Further units that it may have been, the most likely first.")
TANK_REF = text("tank_ref", "What the tank is called in the system that its dive comes from.")
LINK_KIND = choice(
    "kind",
    "What it identifies; `role` says what a tank of that name was carried for.",
    choices=("member", "cylinder", "dive", "role"),
)
TARGET_ID = text("target_id", "Our identifier: a member, a unit or a dive; of a role, the role itself.")

# --- kit, bookings, visits --------------------------------------------------------------------
VALID_FROM = day("valid_from", "The kit is used from this day.")
LIFT_CAPACITY_KG = number("lift_capacity_kg", "Lift of the buoyancy device.", "kg", low=0, high=100)
BALLAST_KG = number("ballast_kg", "Ballast.", "kg", low=0, high=60)
OTHER_NEGATIVE_KG = number(
    "other_negative_kg", "Net weight in water of plate, regulators and the rest.", "kg", low=-30, high=60
)
SUIT_BUOYANCY_KG = number("suit_buoyancy_kg", "Buoyancy of the suit at the surface.", "kg", low=-10, high=60)
SUIT_BUOYANCY_AT_DEPTH_KG = number(
    "suit_buoyancy_at_depth_kg", "Buoyancy of the suit at depth.", "kg", low=-10, high=60
)
STARTS_ON = day("starts_on", "First day.", may_lie_ahead=True)
ENDS_ON = day("ends_on", "Last day.", may_lie_ahead=True)
CYLINDERS_NEEDED = whole("cylinders_needed", "Cylinders needed.", low=0, high=10000)
VISIT_ON = day("visit_on", "Day of the inspector's visit.", may_lie_ahead=True)
CAPACITY = whole("capacity", "Cylinders the visit can take.", low=0, high=100000)
KINDS_TAKEN = text("kinds", "Kinds of inspection the visit offers, joined by ';'; empty: all.")
BACK_ON = day("back_on", "Day the cylinders return.", may_lie_ahead=True)

# --- published: fills -------------------------------------------------------------------------
PERMITTED_BAR = number(
    "permitted_bar", "Least of working pressure and valve rating over the unit's cylinders.", "bar, gauge"
)
GAS_C = number("gas_c", "Gas temperature at stop.", "°C")
GAS_AND_WALL_C = number(
    "gas_and_wall_c", "What gas and wall come to together, minutes after stop, before the room takes heat.", "°C"
)
GAS_C_BASIS = choice("gas_c_basis", "What the gas temperature rests on.", choices=("settled", "wall", "model"))
SETTLED_PRESSURE_BAR_15C = number(
    "settled_pressure_bar_15c", "What the gauge reads once the gas is at 15 °C.", "bar, gauge"
)
SETTLED_LOW_BAR_15C = number("settled_low_bar_15c", "Low end of its 80 % interval.", "bar, gauge")
SETTLED_HIGH_BAR_15C = number("settled_high_bar_15c", "High end of its 80 % interval.", "bar, gauge")
SETTLED_PRESSURE_BAR_REF = number(
    "settled_pressure_bar_ref", "The same at the rule set's reference temperature.", "bar, gauge"
)
REFERENCE_C = number("reference_c", "The rule set's reference temperature.", "°C")
WATER_C_BASIS = text("water_c_basis", "Where the water temperature comes from.")
READS_IN_WATER_BAR = number("reads_in_water_bar", "What it reads in that water.", "bar, gauge")
NOMINAL_FREE_L = number("nominal_free_l", "Nominal content: capacity × target.", "free L")
REAL_FREE_L = number("real_free_l", "Usable content.", "free L")
REAL_LOW_FREE_L = number("real_low_free_l", "Low end of its 80 % interval.", "free L")
REAL_HIGH_FREE_L = number("real_high_free_l", "High end of its 80 % interval.", "free L")
SHORTFALL_FREE_L = number("shortfall_free_l", "Nominal less usable content.", "free L")
SHORTFALL_PCT = number("shortfall_pct", "Shortfall in nominal content.", "%")
STOPPED_EARLY_FREE_L = number("stopped_early_free_l", "Part of the shortfall: stopped below target.", "free L")
COMPRESSIBILITY_FREE_L = number(
    "compressibility_free_l", "Part of the shortfall: gas is not ideal, and what stays at an empty gauge.", "free L"
)
COOLING_FREE_L = number("cooling_free_l", "Part of the shortfall: stopped while warm.", "free L")
COOLING_BAR = number("cooling_bar", "Fall of the gauge by cooling alone.", "bar")
OVER_WORKING_PRESSURE = flag(
    "over_working_pressure", "Settled at the reference temperature above the permitted pressure."
)
EXPECTED_O2_PCT = number("expected_o2_pct", "Oxygen expected from what was inside and what was added.", "molar %")
EXPECTED_HE_PCT = number("expected_he_pct", "Helium expected likewise.", "molar %")
O2_ERROR_PCT = number("o2_error_pct", "Oxygen analysed less target.", "percentage points")
MIX_VERDICT = choice(
    "mix_verdict", "Analysis against target.", choices=("in_tolerance", "out_of_tolerance", "not_analysed")
)
MAX_OPERATING_DEPTH_M = number("max_operating_depth_m", "Maximum operating depth from the richest analysis.", "m")
MAX_OPERATING_DEPTH_DECO_M = number("max_operating_depth_deco_m", "The same for decompression only.", "m")
MIN_OPERATING_DEPTH_M = number("min_operating_depth_m", "Minimum depth at which the mix may be breathed.", "m")
IN_TEST = flag("in_test", "In test on the day of the fill; false when unknown.")
OXYGEN_CLEAN = flag("oxygen_clean", "Oxygen clean on the day of the fill.")
SIDE_DISAGREEMENT = flag("side_disagreement", "Sides differ beyond their gauges or analyses; empty: one reading only.")
FILL_RATE_BAR_MIN = number("fill_rate_bar_min", "Rise of the gauge.", "bar/min")
ADDED_FREE_L = number("added_free_l", "Gas added.", "free L")
GAS_MASS_KG = number("gas_mass_kg", "Mass of the gas inside.", "kg")
AIR_STATE = choice(
    "air_state",
    "How the air of its source stood, by the tests of every compressor that may have fed it.",
    choices=AIR_STATES,
)
MODEL_VERSION = text("model_version", "Version of the settling model.")
VERDICT = choice("verdict", "The worst found.", choices=("stop", "attention", "short", "good"))
REASONS = codes("reasons", "Every reason found.")
RELEASED = flag("released", "A person lifted the hold.")
HANDED_OVER_VERDICT = again(VERDICT, name="handed_over_verdict", says="The verdict as first published.")
HANDED_OVER_SETTLED_BAR_15C = again(
    SETTLED_PRESSURE_BAR_15C, name="handed_over_settled_bar_15c", says="The settled pressure as first published."
)

# --- published: settling model and gauges -----------------------------------------------------
SIZE = text("size", "Size class.")
SETTLED_FILLS = whole("settled_fills", "Settled readings it has learned from.")
EFFECT_BAR = number("effect_bar", "Learned correction of the settled pressure.", "bar")
EFFECT_LOW_BAR = number("effect_low_bar", "Low end of its 80 % interval.", "bar")
EFFECT_HIGH_BAR = number("effect_high_bar", "High end of its 80 % interval.", "bar")
GAIN_OF_NEXT_READING_BAR = number(
    "gain_of_next_reading_bar", "By how much one more settled reading would narrow the interval.", "bar"
)
SETTLED_FILLS_BEFORE = whole("settled_fills_before", "Settled readings known before this one.")
PREDICTED_BAR = number("predicted_bar", "Settled pressure predicted before the reading was known.", "bar, gauge")
PREDICTED_LOW_BAR = number(
    "predicted_low_bar", "Low end of the 80 % interval of what will be read, its own noise counted in.", "bar, gauge"
)
PREDICTED_HIGH_BAR = number("predicted_high_bar", "High end of its 80 % interval.", "bar, gauge")
MEASURED_BAR = number("measured_bar", "Settled pressure measured, at the same temperature.", "bar, gauge")
ANSWERS = whole("answers", "Latest settled readings whose prediction is counted here.")
ANSWERS_INSIDE = whole("answers_inside", "Of these, inside the 80 % interval of their prediction.")
PREDICTED_OFF_BAR = number("predicted_off_bar", "Median of predicted less measured.", "bar")
TOO_NARROW = flag("too_narrow", "The intervals held fewer readings than chance explains.")
BIASED = flag("biased", "Predictions were high oftener than low, or the reverse, than chance explains.")
SHIFT_BAR = number("shift_bar", "What the record adds to today's predictions.", "bar")
WIDENING = number("widening", "What the record multiplies the width of today's intervals by.", "1")
MONTH_ON = day("month_on", "First day of the month.")
GAUGE_OFFSET_BAR = number("offset_bar", "Estimated offset, reading minus truth.", "bar")
OFFSET_LOW_BAR = number("offset_low_bar", "Low end of its 80 % interval.", "bar")
OFFSET_HIGH_BAR = number("offset_high_bar", "High end of its 80 % interval.", "bar")
DRIFTING = flag("drifting", "The offset moves, or lies beyond its class.")

# --- published: fleet -------------------------------------------------------------------------
HELD_BY = text("held_by", "Who has it.")
LAST_VISUAL_ON = day("last_visual_on", "Last passed visual inspection.")
LAST_HYDROSTATIC_ON = day("last_hydrostatic_on", "Last passed hydrostatic test.")
NEXT_DUE_ON = day("next_due_on", "Next inspection due.", may_lie_ahead=True)
NEXT_DUE_KIND = text("next_due_kind", "Kind of the next inspection due.")
DAYS_TO_DUE = whole("days_to_due", "Days until then; negative: overdue.", "days")
INSPECTION_STATE = choice(
    "inspection_state",
    "State by its rule set today.",
    choices=("in_date", "due_soon", "out_of_date", "condemned", "unknown"),
)
FILLS_SINCE_HYDROSTATIC = whole("fills_since_hydrostatic", "Fills since the last hydrostatic test.")
FILLS_OUT_OF_DATE = whole("fills_out_of_date", "Fills made while not in test.")
LEAK_BAR_PER_DAY = number(
    "leak_bar_per_day",
    "Pooled leak rate of the full cylinder, never below 0; empty where nothing is known of it: too few readings, "
    "or such as would have it gain gas.",
    "bar/day",
)
LEAK_LOW_BAR_PER_DAY = number("leak_low_bar_per_day", "Low end of its 80 % interval.", "bar/day")
LEAK_HIGH_BAR_PER_DAY = number("leak_high_bar_per_day", "High end of its 80 % interval.", "bar/day")
LEAK_FLAG = flag("leak_flag", "Leaks by policy.")
LEAK_BASIS = choice("leak_basis", "What the rate was measured on.", choices=("cylinder", "set"))
SHORT_FILL_SHARE = number("short_fill_share", "Share of its fills that were short.", "0 to 1", low=0, high=1)
LAST_SEEN_AT = moment("last_seen_at", "Last record of it.")
SCORE_REASONS = codes("score_reasons", "What stands against it, in words.")
PLAN_KIND = again(NEXT_DUE_KIND, name="kind", says="Kind of inspection.")
DAYS_EARLY = whole("days_early", "Days before it would be due.", "days")
IN_SERVICE_AFTER = day("in_service_after", "Back in service from this day.", may_lie_ahead=True)
NEEDED = whole("needed", "Cylinders needed.")
AVAILABLE = whole("available", "Cylinders in service then.")
SHORT_BY = whole("short_by", "Cylinders missing.")
FREED_BY = text("freed_by", "What would free the missing ones.")
SIDE = again(SET_POSITION, name="side", says="Side of the set.")
JOINED = flag("joined", "A manifolded set.")
CAPACITY_BASIS = text("capacity_basis", "Where the capacity comes from: `register`, `rated` or `assumed`.")
AT = moment("at", "When.")
LIFE_EVENT = text("event", "What happened.")
VALUE_NUMBER = number("value", "The figure that goes with it.")
CODE = text("code", "The code that goes with it.")

# --- published: dives -------------------------------------------------------------------------
KEPT_DIVE_ID = again(DIVE_ID, name="kept_dive_id", says="The record of the same dive that counts.")
DUPLICATE_REASON = choice(
    "reason", "Why it is taken for the same dive.", choices=("duplicate_dive", "duplicate_dive_other_clock")
)
DIVES_SINCE_FILL = whole("dives_since_fill", "Dives with this unit between that fill and this dive.")
MEAN_AMBIENT_BAR_ABS = number("mean_ambient_bar_abs", "Mean ambient pressure.", "bar, absolute")
GAS_USED_FREE_L = number("gas_used_free_l", "Gas used, suit bottle apart.", "free L")
GAS_USED_LOW_FREE_L = number("gas_used_low_free_l", "Low end of its 80 % interval.", "free L")
GAS_USED_HIGH_FREE_L = number("gas_used_high_free_l", "High end of its 80 % interval.", "free L")
RMV_L_MIN = number("rmv_l_min", "Respiratory minute volume at ambient pressure, 15 °C.", "L/min")
RMV_LOW_L_MIN = number("rmv_low_l_min", "Low end of its 80 % interval.", "L/min")
RMV_HIGH_L_MIN = number("rmv_high_l_min", "High end of its 80 % interval.", "L/min")
IDEAL_RMV_L_MIN = number("ideal_rmv_l_min", "Uncorrected, beside it: ideal gas, no temperature.", "L/min")
SAC_BAR_MIN = number("sac_bar_min", "Uncorrected surface rate of this unit.", "bar/min")
SUIT_GAS_FREE_L = number("suit_gas_free_l", "Gas used from the suit bottle.", "free L")
SECOND_GAUGE_GAP_BAR = number("second_gauge_gap_bar", "Second gauge less first at the end.", "bar")
MAX_PPO2_BAR = number("max_ppo2_bar", "Greatest partial pressure of oxygen breathed.", "bar")
METHOD = choice("method", "What the estimate rests on.", choices=("trace", "ends"))
FLAGS = codes("flags", "What is to be known about this row.")
TANK_BAR = number("tank_bar", "Gauge of the back gas.", "bar, gauge")
START_GAS_C = number("start_gas_c", "Gas at the start of the dive, as fitted.", "°C")
USABLE_FREE_L = number("usable_free_l", "Back gas above an empty gauge.", "free L")
REQUIRED_FREE_L = number("required_free_l", "Gas needed by policy to bring the team up from there.", "free L")
MARGIN_FREE_L = number("margin_free_l", "Gas above the unusable pressure, less the gas needed by policy.", "free L")
LEVEL_RMV_L_MIN = number("level_rmv_l_min", "Level at the member's own mean conditions.", "L/min")
LEVEL_LOW_L_MIN = number("level_low_l_min", "Low end of its 80 % interval.", "L/min")
LEVEL_HIGH_L_MIN = number("level_high_l_min", "High end of its 80 % interval.", "L/min")
PLANNING_RMV_L_MIN = number("planning_rmv_l_min", "Nine in ten of the next dives should stay under this.", "L/min")
SLOPE_PCT_PER_MONTH = number("slope_pct_per_month", "Slope over the last 180 days.", "%/month")
SLOPE_LOW_PCT = number("slope_low_pct", "Low end of its 80 % interval.", "%/month")
SLOPE_HIGH_PCT = number("slope_high_pct", "High end of its 80 % interval.", "%/month")
SLOPE_SURE = flag("slope_sure", "The 95 % interval excludes zero.")
CHANGE_12M_PCT = number("change_12m_pct", "Level now against 365 days before, or the first dive if 90 days back.", "%")
CHANGE_12M_LOW_PCT = number("change_12m_low_pct", "Low end of its 80 % interval.", "%")
CHANGE_12M_HIGH_PCT = number("change_12m_high_pct", "High end of its 80 % interval.", "%")
CHANCE_RISEN = number("chance_risen", "Probability that it rose over those 12 months.", "0 to 1", low=0, high=1)
TREND = choice(
    "trend",
    "Direction of that change, where its chance is 0.9 or more.",
    choices=("rising", "steady", "falling", "too_few"),
)
CONDITION = text("condition", "The condition.")
EFFECT_PCT = number("effect_pct", "What it does to the rate.", "%")
EFFECT_LOW_PCT = number("effect_low_pct", "Low end of its 80 % interval.", "%")
EFFECT_HIGH_PCT = number("effect_high_pct", "High end of its 80 % interval.", "%")
SURFACED_BAR = number("surfaced_bar", "Gauge of the back gas at the surface.", "bar, gauge")
SURFACED_FREE_L = number("surfaced_free_l", "Back gas left at the surface.", "free L")
BELOW_SURFACING_MIN = flag("below_surfacing_min", "Surfaced below the policy's least pressure.")
LEAST_MARGIN_FREE_L = number("least_margin_free_l", "Least margin over the gas needed by policy.", "free L")
LEAST_MARGIN_AT_S = number("least_margin_at_s", "When it was least.", "s")
LEAST_MARGIN_DEPTH_M = number("least_margin_depth_m", "Depth at that moment.", "m")
REQUIRED_FREE_L_THERE = number("required_free_l_there", "Gas needed at that moment.", "free L")
LEAST_MARGIN_ONE_SIDE_FREE_L = number(
    "least_margin_one_side_free_l", "Least margin on the lesser side alone.", "free L"
)
THIRDS_MARGIN_FREE_L = number("thirds_margin_free_l", "Margin over a third kept in reserve.", "free L")
BELOW_POLICY = flag("below_policy", "The least margin was negative.")
CAUSE = choice("cause", "Main cause.", choices=("started_short", "cooling", "consumption", "profile", "none"))
CAUSE_SHARES = nested("cause_shares", "Share of each cause in the deficit; they add to one.")
DIVES_CONSIDERED = whole("dives_considered", "Dives considered.")
DIVES_NOT_ASSESSED = whole("dives_not_assessed", "Dives that could not be assessed.")
DIVES_BELOW_POLICY = whole("dives_below_policy", "Dives below policy.")
CHANCE_NEXT_BELOW = number(
    "chance_next_below", "Expected share under reserve, if dives stay like these.", "0 to 1", low=0, high=1
)
DIVES_SURFACED_KNOWN = whole("dives_surfaced_known", "Dives of which it is known what they surfaced with.")
DIVES_BELOW_SURFACING_MIN = whole(
    "dives_below_surfacing_min", "Dives that surfaced below the policy's least pressure (50 bar is common practice)."
)
LEAST_SURFACED_BAR = number("least_surfaced_bar", "The lowest pressure a dive surfaced with.", "bar, gauge")
MEDIAN_MARGIN_FREE_L = number("median_margin_free_l", "Median of the least margins.", "free L")
MAIN_CAUSE = again(CAUSE, name="main_cause", says="Most frequent main cause.")
WATCH_STATE = choice("state", "How the reserve stands.", choices=("thin", "watch", "comfortable", "too_few"))
CHANCE_FROM = number("chance_from", "From this chance.", "0 to 1")
CHANCE_TO = number("chance_to", "To this chance.", "0 to 1")
DIVES = whole("dives", "Dives.")
MEAN_CHANCE = number("mean_chance", "Mean of the chances that were stated before these dives.", "0 to 1")
SHARE_BELOW = number("share_below", "Share of them that were below policy.", "0 to 1")
GAS_MASS_START_KG = number("gas_mass_start_kg", "Gas carried at the start.", "kg")
GAS_MASS_END_KG = number("gas_mass_end_kg", "Gas carried at the end.", "kg")
NET_START_KG = number("net_start_kg", "Net at the start, positive floats.", "kg")
NET_END_KG = number("net_end_kg", "Net at the end.", "kg")
NET_LOW_GAS_KG = number("net_low_gas_kg", "Net at the unusable pressure.", "kg")
LIFT_MARGIN_KG = number("lift_margin_kg", "Lift left at the start with the suit's buoyancy lost.", "kg")
BALLAST_MARGIN_KG = number("ballast_margin_kg", "Weight left at 5 m with the gas down to the unusable pressure.", "kg")

# --- beyond the contract: for later steps and the pages ----------------------------------------
IN_TEST_TODAY = again(IN_TEST, name="in_test_today", says="In test today; false when unknown.")
OXYGEN_CLEAN_TODAY = again(
    OXYGEN_CLEAN, name="oxygen_clean_today", says="Oxygen clean today; a set only if both cylinders are."
)
ON_HOLD = flag("on_hold", "A hold that still stands: not released, and no later fill.")
FILLS_COUNT = whole("fills", "Fills.")
OXYGEN_FREE_L = number("oxygen_free_l", "Pure oxygen that the added gas took beyond air's own.", "free L")
HELIUM_FREE_L = number("helium_free_l", "Helium added.", "free L")
NEXT_LOW_L_MIN = number("next_low_l_min", "Low end of the 80 % interval of the next dive.", "L/min")
NEXT_HIGH_L_MIN = number("next_high_l_min", "High end of the 80 % interval of the next dive.", "L/min")
CRITICAL_RMV_L_MIN = number("critical_rmv_l_min", "The rate at which the least margin would have been nil.", "L/min")
CHANCE_BEFORE = number(
    "chance_before", "Chance of going below policy as seen before the dive.", "0 to 1", low=0, high=1
)
START_LACKING_FREE_L = number("start_lacking_free_l", "What the start lacked against its target.", "free L")
FILL_LOW_BAR = number("fill_low_bar", "How far its fill settled below target.", "bar")
CAPACITY_SD_PCT = number("capacity_sd_pct", "Standard deviation of the capacity.", "%")
VALVE_RATING_KNOWN = flag("valve_rating_known", "The rating of the valve is known.")

# --- published: air ---------------------------------------------------------------------------
QUANTITY = text("quantity", "What was measured.")
LIMIT = number("limit", "The limit.")
LIMIT_SOURCE = text("limit_source", "Standard and edition of the limit.")
AIR_VERDICT = choice("verdict", "Against the limit.", choices=("pass", "fail", "not_measured"))
HOURS_SINCE_FILTER = number("hours_since_filter", "Hours since the filter was changed.", "h")
FILTER_HOURS_LEFT = number("filter_hours_left", "Filter life left, corrected for the intake.", "h")
SERVICE_DUE_ON = day("service_due_on", "Service due at the present use.", may_lie_ahead=True)
FREE_AIR_DELIVERY_L_MIN = number("free_air_delivery_l_min", "Free air delivery, last timed run.", "free L/min")
DELIVERY_CHANGE_PCT = number("delivery_change_pct", "Change against the rated delivery.", "%")
AIR_TEST_DUE_ON = day("air_test_due_on", "Next purity test due.", may_lie_ahead=True)
COMPRESSOR_STATE = text("state", "State in a word.")
SINCE = day("since", "Day of the last good test of what failed; empty: never found good.")
CYLINDER_IDS = ids("cylinder_ids", "The cylinders that hold it still.")
CYLINDERS_FILLED = ids("cylinder_ids", "The cylinders that were filled.")
LATEST_FILL = flag("latest_fill", "Some cylinder of it was not filled again since.")
AIR_FAILED_ON = day("air_failed_on", "Day of the failed test that stands.")
AIR_FAULT = text("air_fault", "What was beyond its limit in that test.")
RECALL_REASON = text("reason", "Why.")

# --- published: the machine room --------------------------------------------------------------
SOURCE = text("source", "Source of the file.")
ROW_KEY = text("key", "The key of the row, as `coldfill history` takes it.")
FILE = text("file", "Place in the inbox.")
FILE_SHA256 = text("file_sha256", "Its content.")
ROW_NUMBER = whole("row_number", "Data row, from 1, without the header.")
LINE = whole("line", "Line of the file.")
COLUMN = text("column", "Column.")
VALUE_TEXT = text("value", "What stood there.")
SEVERITY = choice("severity", "`row`: the row was rejected; `value`: the value was dropped.", choices=("row", "value"))
RULE = text("rule", "The rule it breaks.")
MESSAGE = text("message", "In words.")
FIX = text("fix", "How to fix it.")
FIRST_SEEN_AT = moment("first_seen_at", "First seen.")
RESOLVED_AT = moment("resolved_at", "Resolved; empty: open.")
PROBLEM_ID = text("problem_id", "Its number: of the file's content, row, column and rule.")
DISMISSED_AT = moment("dismissed_at", "When somebody decided that it is to be left; empty: not.", may_lie_ahead=True)
DISMISSED_BY = text("dismissed_by", "Who decided that.")
DISMISSED_REASON = text("dismissed_reason", "Why.")
OUT_FILES = ids("files", "Files with the rows that are out; of a file or a problem, where it lies.")
OUT_ROWS = whole("rows_out", "Stored rows that are out for it, earlier versions included.")
GIVEN_AGAIN_IN = ids("given_again_in", "Files that came since and hold the row again; it stays out until brought back.")
RECEIVED_AT = moment("received_at", "First seen in the inbox.")
MODIFIED_AT = moment("modified_at", "Modification time.", may_lie_ahead=True)
OUTCOME = text("outcome", "What became of it.")
MAPPING_HASH = text("mapping_hash", "The mapping it was read with.")
ROWS_READ = whole("rows_read", "Rows read.")
ROWS_ACCEPTED = whole("rows_accepted", "Rows accepted.")
ROWS_REJECTED = whole("rows_rejected", "Rows rejected.")
SEEN_AGAIN = whole("seen_again", "Later runs that saw it unchanged.")
RUN_ID = text("run_id", "The run.")
RUN_STARTED_AT = moment("started_at", "Begin.")
FINISHED_AT = moment("finished_at", "End.")
AS_OF_ON = day("as_of_on", "The day taken as today.")
ROWS_BY_TABLE = nested("rows_by_table", "Rows of each table.")
SECONDS_BY_STEP = nested("seconds_by_step", "Seconds of each step.")
