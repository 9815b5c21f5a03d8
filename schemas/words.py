"""How figures and states read on screen: one way of writing each, so that no two pages differ.

Pressures are rounded to the bar, depths of a mix to the safe metre. An unknown figure reads 'not known'. Figures come
in metric units and are written in the reader's, see reading_units.py.
"""

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from schemas import reading_units
from schemas.codes import all_codes, codes_that, sentence
from schemas.codes.divers import LOOKS_BACK, WATCH_WORDS
from shared.gas.mixing import whole_metres_down, whole_metres_up
from shared.gas.units import psi_from_bar, rating_cuft_from_capacity

UNKNOWN = "not known"

NOT_A_PLAN = LOOKS_BACK
WHO_DECIDES = (
    "The stamp on the cylinder, local law and a competent inspector decide. This page only counts dates and "
    "readings of the log."
)

VERDICTS = {
    "stop": "Do not hand over",
    "attention": "Check first",
    "short": "Short",
    "good": "Nothing found against it",
}
#: how heavy the mark beside the word is, 4 heaviest; weight, not hue, carries it
VERDICT_WEIGHT = {"stop": 4, "attention": 3, "short": 2, "good": 1}
VERDICT_ORDER = tuple(VERDICTS)

#: reasons that say how short and how it was known, beside the ones that make a verdict or a state
MINOR_REASONS = codes_that(lambda c: c.minor)
FORBIDS_FILLING = codes_that(lambda c: c.forbids_filling)

INSPECTION = {
    "out_of_date": "May not be filled: out of date",
    "condemned": "May not be filled: condemned",
    "unknown": "May not be filled: no inspection known",
    "due_soon": "Due soon",
    "in_date": "In date",
}
BARRED_STATES = ("condemned", "out_of_date", "unknown")
WATCH = WATCH_WORDS
WATCH_ORDER = ("thin", "watch", "too_few", "comfortable")
WATCH_WEIGHT = {"thin": 4, "watch": 3, "too_few": 2, "comfortable": 1}
CAUSES = {
    "started_short": "Started short",
    "cooling": "Cooling after the fill",
    "consumption": "Breathed more than usual",
    "profile": "Depth and time",
    "none": "None",
}
KINDS = {
    "visual": "visual inspection",
    "hydrostatic": "hydrostatic test",
    "eddy_current": "eddy-current test",
    "ultrasonic": "ultrasonic test",
    "oxygen_clean": "oxygen cleaning",
    "valve_service": "valve service",
}
#: how the air behind a fill stood, or that of a source stands
AIR = {
    "failed": "failed its test",
    "failed_later": "failed the next test",
    "source_unknown": "source unknown while a compressor's air stood failed",
    "overdue": "test overdue",
    "never_tested": "never tested",
    "partly_tested": "tested in part",
    "passed": "passed its test",
    "not_traced": "its compressor is not known",
}
AIR_WEIGHT = {"failed": 4, "failed_later": 4, "source_unknown": 3, "overdue": 3, "never_tested": 3}
BASIS = {
    "settled": "a settled reading",
    "wall": "the wall's temperature at stop",
    "model": "the heat balance of the fill",
}
MIX_VERDICTS = {"in_tolerance": "in tolerance", "out_of_tolerance": "out of tolerance", "not_analysed": "not analysed"}
FILL_METHODS = {
    "air": "air",
    "banked_mix": "a bank, ready mixed",
    "continuous": "mixed before the compressor",
    "partial_pressure": "oxygen or helium decanted into it",
}
METHODS = {"trace": "pressures over the whole dive", "ends": "the pressures at start and end alone"}


def known(value: Any) -> bool:
    """Whether there is a value at all."""
    return (
        value is not None
        and not (isinstance(value, float) and math.isnan(value))
        and value is not pd.NA
        and value is not pd.NaT
    )


def number(value: Any, digits: int = 0, unit: str = "") -> str:
    """A figure with its unit, or 'not known'; figure and digits are those of the metric unit that is named."""
    if not known(value):
        return UNKNOWN
    how = reading_units.shown(unit)
    text = _plain(how.of(float(value)), how.digits(digits))
    return f"{text}\u00a0{how.unit}" if unit else text


def _plain(value: float, digits: int) -> str:
    text = reading_units.grouped(value, digits)
    return text.replace("-", "\u2212") if float(text.replace("\u202f", "")) else text.lstrip("-")


def bare(value: Any, digits: int = 0, unit: str = "") -> str:
    """The same without its unit, where that stands beside it."""
    return number(value, digits, unit).partition("\u00a0")[0] if known(value) else UNKNOWN


def down(value: Any, unit: str) -> str:
    """A figure rounded down to a whole one of the reader's: nothing is promised or allowed that is not there."""
    if not known(value):
        return UNKNOWN
    how = reading_units.shown(unit)
    return f"{_plain(how.down(float(value)), 0)}\u00a0{how.unit}"


def between(low: Any, high: Any, digits: int = 0, unit: str = "") -> str:
    """An 80 % interval, or the empty text."""
    if not (known(low) and known(high)):
        return ""
    tail = f"\u00a0{reading_units.shown(unit).unit}" if unit else ""
    return f"{bare(low, digits, unit)} to {bare(high, digits, unit)}{tail}"


def with_interval(value: Any, low: Any, high: Any, digits: int = 0, unit: str = "") -> str:
    """'258 bar (254 to 262)'."""
    spread = f" ({bare(low, digits, unit)} to {bare(high, digits, unit)})" if known(low) and known(high) else ""
    return number(value, digits, unit) + (spread if known(value) else "")


def capacity(water_capacity_l: Any, working_pressure_bar: Any, digits: int = 1) -> str:
    """How large a cylinder is: its litres of water, or for readers of cubic feet what the trade calls it by.

    That is the free gas it holds at its rated pressure, so that it takes both; else it stays litres.
    """
    if (
        reading_units.current() == reading_units.US
        and known(water_capacity_l)
        and known(working_pressure_bar)
        and working_pressure_bar > 0
    ):
        rated_psi = psi_from_bar(float(working_pressure_bar))
        cuft = rating_cuft_from_capacity(float(water_capacity_l), rated_psi)
        return f"{cuft:.0f}\u00a0cu\u00a0ft at {number(working_pressure_bar, 0, 'bar')}"
    text = number(water_capacity_l, digits)
    return f"{text}\u00a0L" if known(water_capacity_l) else text


def capital(text: str) -> str:
    """The same with its first letter large."""
    return text[:1].upper() + text[1:]


def share(value: Any) -> str:
    """A share from 0 to 1 in per cent."""
    if not known(value):
        return UNKNOWN
    return "under 1\u00a0%" if 0 < value < 0.01 else number(100 * value, 0, "%")


def under(value: Any, limit: float, unit: str = "") -> str:
    """A figure that lies below a limit, in as many digits as it takes to read below it."""
    if not known(value):
        return UNKNOWN
    how = reading_units.shown(unit)
    figure, most = float(how.of(float(value))), float(how.of(limit))
    if how.unit != unit and math.isfinite(most):
        most = round(most, how.digits(0))  # as the limit itself is written
    return number(value, next((d for d in (0, 1) if round(figure, how.digits(d)) < most), 2), unit)


def of(count: Any, whole: Any) -> str:
    """'3 of 14', or 'not known' of none."""
    return f"{number(count)} of {number(whole)}" if known(count) and known(whole) and whole else UNKNOWN


def day(value: Any) -> str:
    """'3 May 2031'."""
    return f"{value.day} {value:%b %Y}" if known(value) else UNKNOWN


def clock(value: Any, zone: str) -> str:
    """'3 May 2031, 14:05' in the station's time."""
    if not known(value):
        return UNKNOWN
    local = value.tz_convert(zone)
    return f"{local.day} {local:%b %Y, %H:%M}"


def hour(value: Any, zone: str) -> str:
    """'14:05' in the station's time."""
    return f"{value.tz_convert(zone):%H:%M}" if known(value) else UNKNOWN


def age(then: pd.Timestamp, now: pd.Timestamp) -> str:
    """'3 minutes', '2 days'."""
    seconds = max(0.0, (now - then).total_seconds())
    for size, word in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= size:
            count = int(seconds // size)
            return f"{count} {word}{'s' if count != 1 else ''}"
    return "less than a minute"


def days_away(days: Any) -> str:
    """'in 12 days', 'today', '3 days ago'."""
    if not known(days):
        return ""
    days = int(days)
    word = "day" if abs(days) == 1 else "days"
    return "today" if days == 0 else f"in {days} {word}" if days > 0 else f"{-days} {word} ago"


def mix(o2_pct: Any, he_pct: Any) -> str:
    """The mix in words and figures, never as a colour."""
    if not known(o2_pct):
        return UNKNOWN
    helium = float(he_pct) if known(he_pct) else 0.0
    if helium >= 0.5:
        return f"O₂ {o2_pct:.1f}\u00a0%, He {helium:.1f}\u00a0%"
    return "air" if abs(o2_pct - 20.95) < 0.06 else f"O₂ {o2_pct:.1f}\u00a0%"


def analysis(o2_pct: Any, he_pct: Any) -> str:
    """An analysis as measured, air too: 'O₂ 20.9 %'."""
    if not known(o2_pct):
        return "not analysed"
    helium = f", He {he_pct:.1f}\u00a0%" if known(he_pct) and he_pct >= 0.05 else ""
    return f"O₂ {o2_pct:.1f}\u00a0%{helium}"


def depth_down(value: Any) -> str:
    """A greatest depth, rounded down to the metre or foot."""
    return _safe_depth(value, whole_metres_down, reading_units.shown("m").down)


def depth_up(value: Any) -> str:
    """A minimum depth, rounded up to the metre or foot."""
    return _safe_depth(value, whole_metres_up, reading_units.shown("m").up)


def _safe_depth(value: Any, metres: Any, other: Any) -> str:
    if not known(value):
        return UNKNOWN
    how = reading_units.shown("m")
    return f"{int((metres if how.unit == 'm' else other)(float(value)))}\u00a0{how.unit}"


def minutes(seconds: Any) -> str:
    """'23 min 40 s' into a dive."""
    if not known(seconds):
        return UNKNOWN
    whole = round(float(seconds))
    return f"{whole // 60}\u00a0min {whole % 60:02d}\u00a0s"


def quantity(code: Any) -> str:
    """What an air test measures, with its unit."""
    return {
        "o2_pct": "O₂, %",
        "co_ppm": "CO, ppm",
        "co2_ppm": "CO₂, ppm",
        "oil_mg_m3": "oil, mg/m³",
        "hydrocarbons_ppm": "hydrocarbons, ppm",
        "water_mg_m3": "water, mg/m³",
    }.get(str(code), str(code).replace("_", " "))


def air(state: Any, failed_on: Any = None) -> str:
    """'failed its test of 5 May 2031', 'passed its test'."""
    if state not in AIR:
        return UNKNOWN
    on = known(failed_on) and state in ("failed", "failed_later", "source_unknown")
    return f"{AIR[state]} (test of {day(failed_on)})" if on else AIR[state]


def plural(count: Any, one: str, many: str = "") -> str:
    """'1 dive', '2 dives'."""
    count = int(count)
    return f"{count} {one if count == 1 else many or one + 's'}"


def with_fix(code: str, row: Mapping[str, Any] | None = None) -> str:
    """The sentence of a code, and what to do."""
    known_code = all_codes().get(code)
    fix = reading_units.text(known_code.fix) if known_code else ""
    return f"{sentence(code, row)} {fix}" if fix else sentence(code, row)


def listed(codes: Any) -> list[str]:
    """Codes of a cell as a list, whatever it came as."""
    if codes is None or (isinstance(codes, float) and math.isnan(codes)) or codes is pd.NA:
        return []
    return [str(c) for c in codes]
