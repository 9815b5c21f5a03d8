"""How a station's own files differ from the contract: headers, units, zone, numbers, dates, keys, stated values.

A mapping translates what is written; it never guesses. It is part of what a file is known by: see `mapping_hash`.
"""

import fnmatch
import hashlib
import json
import re
from collections.abc import Callable
from collections.abc import Mapping as AnyMapping
from dataclasses import asdict, dataclass, field
from pathlib import PurePosixPath
from typing import Any

from pipelines.readers.forms import form_of
from schemas.sources import SOURCES
from shared.gas import units
from shared.gas.constants import BAR_PER_PSI, KG_PER_LB, LITRE_PER_CUFT

Convert = Callable[[Any], Any]


def _times(factor: float) -> Convert:
    return lambda value: value * factor


_PRESSURES: dict[str, Convert] = {
    "bar": _times(1.0),
    "psi": _times(BAR_PER_PSI),
    "kPa": _times(0.01),
    "MPa": _times(10.0),
    "Pa": _times(1e-5),
    "mbar": _times(1e-3),
    "hPa": _times(1e-3),
}
#: durations written like a clock; they are read as seconds first
CLOCKS = ("h:mm:ss", "mm:ss", "h:mm")


def _clock(seconds: float) -> dict[str, Convert]:
    return {written: _times(1.0 / seconds) for written in CLOCKS}


_MINUTES: dict[str, Convert] = {"min": _times(1.0), "s": _times(1.0 / 60.0), "h": _times(60.0)} | _clock(60.0)
_VOLUMES: dict[str, Convert] = {
    "l": _times(1.0),
    "ml": _times(1e-3),
    "m3": _times(1000.0),
    "cuft": _times(LITRE_PER_CUFT),
}

#: by the unit a contract column's name ends in, longest ending first: units it may be written in → conversion
CONVERSIONS: dict[str, dict[str, Convert]] = {
    "free_l_min": {"l/min": _times(1.0), "cuft/min": _times(LITRE_PER_CUFT), "m3/h": _times(1000.0 / 60.0)},
    "mg_m3": {"mg/m3": _times(1.0), "ug/m3": _times(1e-3)},
    "bar_abs": _PRESSURES | {"atm": _times(1.01325)},
    "bar": _PRESSURES,
    "psi": {"psi": _times(1.0), "bar": _times(1.0 / BAR_PER_PSI)},
    "cuft": {"cuft": _times(1.0), "l": _times(1.0 / LITRE_PER_CUFT)},
    "minutes": _MINUTES,
    "min": _MINUTES,
    "hours": {"h": _times(1.0), "min": _times(1.0 / 60.0), "d": _times(24.0)} | _clock(3600.0),
    "pct": {"%": _times(1.0), "fraction": _times(100.0), "ppm": _times(1e-4)},
    "ppm": {"ppm": _times(1.0), "ppb": _times(1e-3), "%": _times(1e4)},
    "kg": {"kg": _times(1.0), "g": _times(1e-3), "lb": _times(KG_PER_LB)},
    "c": {"C": _times(1.0), "F": units.c_from_f, "K": units.celsius},
    "s": {"s": _times(1.0), "min": _times(60.0), "h": _times(3600.0), "ms": _times(1e-3)} | _clock(1.0),
    "m": {"m": _times(1.0), "ft": units.m_from_ft, "cm": _times(0.01)},
    "l": _VOLUMES,
}
_SPELLINGS = {
    "°c": "C",
    "degc": "C",
    "celsius": "C",
    "°f": "F",
    "degf": "F",
    "fahrenheit": "F",
    "kelvin": "K",
    "litres": "l",
    "liter": "l",
    "litre": "l",
    "liters": "l",
    "feet": "ft",
    "foot": "ft",
    "metres": "m",
    "meters": "m",
    "cubic feet": "cuft",
    "cu ft": "cuft",
    "ft3": "cuft",
    "minutes": "min",
    "seconds": "s",
    "sec": "s",
    "hours": "h",
    "percent": "%",
    "pct": "%",
    "mg/m³": "mg/m3",
    "µg/m3": "ug/m3",
    "barg": "bar",
    "psig": "psi",
    "pounds": "lb",
    "lbs": "lb",
}
#: water capacity is no free content: cubic feet of gas belong in rated_capacity_cuft
_NO_CUFT = {"water_capacity_l"}

#: what may never be stated for a whole log: it was measured, or it decides whether a cylinder may be used
NEVER_STATED = re.compile(
    r"analysed_.*|second_.*|settled_.*|co_ppm|co2_ppm|oil_.*|hydrocarbons_ppm|water_mg_m3|odour|.*_on|.*_at|valid_from|kind|result|finding|found_mass_kg|"
    r"permanent_.*|water_capacity_l|rated_.*|service_pressure_psi|working_pressure_bar|test_pressure_bar|valve_pressure_bar|plus_marked|"
    r"oxygen_compatible|fill_id|unit_id|cylinder_id|set_id|dive_id|compressor_id|member_id|target_id|source_ref|tank_no|t_s|depth_m|"
    r"max_depth_m|mean_depth_m|duration_min|tank_\d_bar|start_pressure_bar_abs|end_pressure_bar|back_pressure_bar|offset_bar|hours|"
    r"he_pct|ar_pct|mode|gas_shared"
)
FROM_WORKING_PRESSURE = "working_pressure"
DAY_NUMBER = "day_number"

ENCODINGS = (
    "utf-8",
    "utf-16",
    "cp1250",
    "cp1251",
    "cp1252",
    "cp1253",
    "cp1254",
    "cp437",
    "cp850",
    "cp932",
    "latin-1",
    "iso-8859-15",
    "mac-roman",
    "shift_jis",
)


@dataclass(frozen=True)
class Mapping:
    """How one source is written. Everything is optional; empty means 'as the contract says'."""

    source: str
    #: patterns of file names beyond the contract's; of a named layout all that it is for
    names: tuple[str, ...] = ()
    #: the layout's own name; empty for the one of files that no other matches
    layout: str = ""
    sheet: str = ""
    header_row: int = 1
    encoding: str = "utf-8"
    separator: str = ""
    zone: str = ""
    decimal: str = "."
    thousands: str = ""
    less_than: str = ""
    empty: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    key: tuple[str, ...] = ()
    #: contract column → the file's header, or several that are joined by a blank (date and time)
    headers: dict[str, tuple[str, ...]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    #: columns whose unit a pattern gives (`"*_bar" = "psi"`); a unit in their header beats it
    by_pattern: tuple[str, ...] = ()
    formats: dict[str, str] = field(default_factory=dict)
    #: contract column → word of the file → our word
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    #: for a log with a line a reading: the header over what was read, the one over the reading, and word → column
    channel_names: str = ""
    channel_values: str = ""
    channels: dict[str, str] = field(default_factory=dict)
    #: contract column → a constant, twelve values by month, or `working_pressure`
    stated: dict[str, Any] = field(default_factory=dict)


def mapping_hash(mapping: Mapping, station_zone: str) -> str:
    """A stable hash of all that decides how a file of this source is read; equal mappings, equal hash."""
    config = asdict(mapping)
    del config["names"], config["layout"]
    config["zone"] = mapping.zone or station_zone
    return hashlib.sha256(json.dumps(config, sort_keys=True, ensure_ascii=True, default=list).encode()).hexdigest()[:16]


def unit_ending(column: str) -> str:
    """The unit a contract column's name ends in, as a key of CONVERSIONS; '' for none."""
    return next((u for u in CONVERSIONS if column.endswith("_" + u) or column == u), "")


def conversion(column: str, unit: str) -> tuple[str, Convert] | None:
    """The unit's own spelling and its conversion into the column's unit; None if the column cannot be in it."""
    table = CONVERSIONS.get(unit_ending(column), {})
    wanted = _SPELLINGS.get(unit.strip().casefold(), unit.strip())
    found = next((u for u in table if u == wanted), None) or next(
        (u for u in table if u.casefold() == wanted.casefold()), None
    )
    if found is None or (found == "cuft" and column in _NO_CUFT):
        return None
    return found, table[found]


def known_conversion(column: str, unit: str) -> tuple[str, Convert]:
    """The same for a unit that a mapping names, so that the settings have found it convertible."""
    found = conversion(column, unit)
    if found is None:
        raise ValueError(f"{column} cannot be in {unit}")
    return found


def unit_in_header(column: str, header: str) -> str | None:
    """The unit that a file's header names for a contract column: `Stop (psi)`, `stop_pressure_bar`; None for none.

    A single letter counts in brackets, after an underscore or a degree sign: `Bank C` is no temperature.
    """
    reduced = same_header(header)
    if reduced == same_header(column) or not unit_ending(column):
        return next(iter(units_of(column)), None)
    unit_text = re.search(r"[(\[]([^()\[\]]+)[)\]]\s*$", header) or re.search(r"(?:_|°\s*)([^\s_]+)\s*$", header)
    last = unit_text.group(1) if unit_text else re.split(r"[\s_]+", header.strip())[-1]
    found = conversion(column, last) if unit_text or len(last) > 1 else None
    return found[0] if found else None


def units_of(column: str) -> tuple[str, ...]:
    """Units a column may be written in."""
    return tuple(u for u in CONVERSIONS.get(unit_ending(column), {}) if not (u == "cuft" and column in _NO_CUFT))


def columns_named(source: str, name: str) -> list[str]:
    """Contract columns that a key of a mapping means: the column, its name without the unit, or a pattern (`*_bar`)."""
    fields = SOURCES[source].fields
    if name in fields:
        return [name]
    if is_pattern(name):
        return fnmatch.filter(fields, name)
    return [c for c in fields if unit_ending(c) and c == f"{name}_{unit_ending(c)}"]


def is_pattern(name: str) -> bool:
    """Whether a key of a mapping means all columns that match it."""
    return any(c in name for c in "*?[")


def same_header(text: str) -> str:
    """A header reduced to what identifies it: case, blanks, hyphens and the marks around units do not count."""
    return re.sub(r"[\s_\-]+", "_", re.sub(r"[()\[\]°]", " ", text).strip("\ufeff ").casefold()).strip("_")


def key_column(source: str, mapping: Mapping, texts) -> str | None:
    """The column that the mapping's key builds: the first part of the source's own key that the file lacks."""
    if not mapping.key:
        return None
    fields = SOURCES[source].fields
    return next((c for c in reversed(SOURCES[source].key) if fields[c].kind == "text" and c not in texts), None)


# --- files ------------------------------------------------------------------------------------
_BY_LENGTH = sorted(SOURCES, key=len, reverse=True)  # dive_tanks before dives, compressor_log before compressors
_LOCKS = (
    "~$*",
    ".*",
    "*.tmp",
    "*.temp",
    "*.part",
    "*.partial",
    "*.crdownload",
    "*.download",
    "*.swp",
    "*~",
    "*.lock",
    "*.bak",
    "~*.tmp",
    "thumbs.db",
    "desktop.ini",
    "icon\r",
    "__macosx",
)
_LOCK = re.compile("|".join(fnmatch.translate(pattern) for pattern in _LOCKS))
_CONFLICTS = re.compile(r"conflicted copy|sync-conflict|\bconflict(ed)?\b.*\d{4}", re.IGNORECASE)


def passed_over(relative: str) -> str | None:
    """Why a file in the inbox is no input: `lock_or_temporary` (never listed), `sync_conflict` (listed), or None."""
    parts = relative.replace("\\", "/").casefold().split("/")
    if any(part != "." and _LOCK.match(part) for part in parts):
        return "lock_or_temporary"
    return "sync_conflict" if looks_like_conflict(relative) else None


def looks_like_conflict(relative: str) -> bool:
    """Whether a program that keeps folders alike has put a second version of a file here."""
    return _CONFLICTS.search(relative.replace("\\", "/").rpartition("/")[2]) is not None


def passed_over_folder(relative: str) -> str | None:
    """The folder for which a file is passed over, whatever the file is called; None where it is not the folder."""
    parts = PurePosixPath(relative.replace("\\", "/")).parts
    for n, part in enumerate(parts[:-1], 1):
        if any(fnmatch.fnmatch(part.casefold(), pattern) for pattern in _LOCKS):
            return "/".join(parts[:n])
    return None


def matches(relative: str, pattern: str) -> bool:
    """Whether a pattern means this file, by its name alone or by its place in the inbox; case does not count."""
    wanted = pattern.casefold()
    return any(fnmatch.fnmatchcase(text, wanted) for text in _name_and_place(relative))


def _name_and_place(relative: str) -> tuple[str, str]:
    # there may be a hundred thousand files, and each is held against every pattern
    place = relative.replace("\\", "/").casefold()
    return place.rpartition("/")[2], place


def source_of(relative: str, mappings: AnyMapping[str, Mapping]) -> str | None:
    """The source a file belongs to by its name: one of SOURCES, a form of several (`uddf`), or None.

    Patterns of mappings come first, then the contract's rule: the name begins with the source's name.
    """
    name, _ = _name_and_place(relative)
    if form := form_of(name):
        return form.name
    for source in _BY_LENGTH:
        if source in mappings and any(matches(relative, pattern) for pattern in mappings[source].names):
            return source
    begins = same_header(name)
    return next((s for s in _BY_LENGTH if begins.startswith(s)), None)


def folder_member(relative: str) -> str | None:
    """The member a folder belongs to: what follows `dives/` in the path of a file, if a folder does."""
    parts = PurePosixPath(relative.replace("\\", "/")).parts
    for n, part in enumerate(parts[:-2]):
        if part.casefold() == "dives":
            return parts[n + 1]
    return None
