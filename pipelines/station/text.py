"""The text of a new `station.toml`: every policy at its default, each with its sentence, and examples to take up."""

import json
from dataclasses import fields
from typing import Any

from schemas import reading_units
from schemas.policy import SECTIONS
from shared.filling.limits import rule_set_codes
from shared.inspection.rules import rule_sets

#: what has both its inspection periods and its filling limits is a rule set
RULE_SETS = tuple(sorted(set(rule_sets()) & set(rule_set_codes())))


def station_text(
    name: str,
    rule_set: str,
    time_zone: str,
    today: str,
    units: str = reading_units.METRIC,
    managers: tuple[str, ...] = (),
) -> str:
    """The text of a new `station.toml`; `managers` are addresses for signing in."""
    lines = [
        "# Settings of this station. A line that begins with # is a note; remove the # to set what it names.",
        "",
        "[station]",
        f"name = {toml(name)}",
        "# Times without a zone are in this one, unless a source names its own.",
        f"time_zone = {toml(time_zone)}",
        f"# Inspection periods, purity and filling limits: {', '.join(RULE_SETS)}. Local law decides.",
        f"rule_set = {toml(rule_set)}",
        '# What counts as today: "clock", "data" (the last day in any input) or a day such as "2031-05-20".',
        f"today = {toml(today)}",
        "",
    ]
    lines += [
        "# What people read: pages, labels, reports, mail. Each viewer may choose otherwise; files, tables and exports",
        f"# stay metric. {'; '.join(f'{toml(name)}: {units}' for name, units in reading_units.CHOICES.items())}.",
        "[display]",
        f"units = {toml(units)}",
        "",
    ]
    kinds: dict[str, Any] = dict(SECTIONS)
    for section, kind in kinds.items():
        lines += [f"# {(kind.__doc__ or '').strip()}", f"[policy.{section}]"]
        for f in fields(kind):
            says = f.metadata["says"]
            lines.append(f"# {says}")
            lines.append(f"# {f.name} =" if f.default is None else f"{f.name} = {toml(f.default)}")
        lines.append("")
    return "\n".join(lines) + _MORE.replace(_ROLES, _roles(managers) if managers else _ROLES)


_ROLES = """# [roles]
# manager = ["someone@station.example"]
"""


def _roles(managers: tuple[str, ...]) -> str:
    return f"[roles]\nmanager = [{', '.join(toml(one) for one in managers)}]\n"


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML and JSON write a basic string alike, but for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


_MORE = """\
# How your own files differ from the headers and units coldfill knows. An example, for a fill log:
# [sources.fills]
# names = ["compressor-book*"]         # further file names of this source
# sheet = "2031"                       # of a workbook; else the first
# header_row = 1
# separator = ";"                      # else found from the header
# encoding = "utf-8"
# zone = "Europe/London"               # of times that give none
# decimal = ","
# thousands = "."
# empty = ["n/a", "-"]                 # words that mean: not known
# less_than = "limit"                  # a laboratory's '<0.1' is read as its limit, flagged
# ignore = ["Signature"]               # columns to pass over
# key = ["unit_id", "filled_at"]       # builds fill_id where the log has none
# [sources.fills.headers]              # ours = theirs; two are joined by a blank
# unit_id = "Cylinder"
# filled_at = ["Date", "Time"]
# [sources.fills.units]                # "*_bar" = "psi" means all of them
# stop_pressure = "psi"
# [sources.fills.formats]
# filled_at = "DD/MM/YYYY hh:mm"
# [sources.fills.words.fill_method]
# decant = "banked_mix"
# [sources.dive_samples]               # a log with a line a reading, for instance
# channel_names = "Sensor"
# channel_values = "Reading"
# [sources.dive_samples.units]
# t_s = "mm:ss"
# [sources.dive_samples.channels]
# "depth" = "depth_m"
# "sensor 1" = "tank_1_bar"
# [sources.fills.stated]               # what the log never holds: marked as assumed on screen
# ambient_c = [6, 6, 8, 10, 13, 16, 18, 18, 16, 13, 9, 7]
# target_pressure_bar = "working_pressure"
# fill_method = "air"
# target_o2_pct = 20.95

# Another log of the same source that is written otherwise: a layout for the files whose names match. Files that no
# layout matches are read as [sources.…] says. Takes all that [sources.…] takes but names.
# [layouts.pump-house]
# source = "fills"
# files = ["fills-pump-house*", "pump-house/*"]
# decimal = ","
# [layouts.pump-house.units]           # a unit in a header ("Stop (psi)") beats a pattern such as "*_bar"
# "*_bar" = "psi"

# Dive computer exports. Tank pressures: see uddf_pressure above.
# [uddf]
# zone = "Europe/London"
# decimal = "."
# [uddf.roles]                         # by the tank's id or name in the file
# "tank-1" = "back"

# Signing in: who is what. Without a role a person sees nothing.
# [roles]
# manager = ["someone@station.example"]
# claim = ""                           # the provider's claim that holds roles, if it does

# Sending the morning sheet, by `coldfill report morning --send` or each day by `coldfill schedule`. It names members:
# send it only to those who may read that. The password stands in the environment, COLDFILL_MAIL_PASSWORD.
# [mail]
# to = ["manager@quay.example"]
# sender = "station@quay.example"
# host = "smtp.quay.example"
# port = 587
# security = "starttls"                # "tls" from the first byte (port 465), "none" on one's own machine
# user = "station@quay.example"
# webhook = "https://chat.example/hook"   # gets the sheet in plain words as JSON; counts only, no names
# at = "07:00"                         # local time from which the schedule sends it, once a day

# Where members' dives are computed. 0 processes: one a core where there is enough to do; 1: none beside the run's own.
# scheduler: "tcp://host:8786" for a Dask cluster with the same version of coldfill (pip install 'coldfill[dask]').
# [scale]
# processes = 0
# scheduler = ""

[schedule]
# Minute, hour, day, month, weekday: when `coldfill schedule` makes a run.
cron = "*/10 * * * *"
# Run too within a minute after something has changed in the inbox.
watch = false

# What a run removes after so many days; 0 keeps it for ever. Originals and rows that count are never removed.
[keep]
closed_problems_days = 730
runs_days = 400
# Rows that newer ones took the place of: without them, withdrawing a file brings no older version back.
superseded_rows_days = 0
# Rows whose file was read again since.
replaced_rows_days = 30
# Warehouses that a rebuild put aside.
set_aside_days = 90
# Runs in the scheduler's own list, and its log, of which three are kept.
scheduler_days = 60
log_mb = 5
# Snapshots before the last; at least two stay.
snapshot_hours = 1.0

# Backups by `coldfill schedule`, each read back and compared: a folder outside the station, best on another drive. They
# hold members' addresses. The oldest above keep are removed.
# [backup]
# to = "/media/usb/coldfill"
# every_days = 1
# keep = 7

# A copy of what is published, for programs on other machines, at any address that fsspec writes to; each run adds what
# is new (pip install 'coldfill[address]' for s3://). Whoever has the keys of the address reads all of it, so people
# says what it tells: "nobody" (fills, cylinders, air: no member, no dives), "ids" (dives and their samples too, members
# by their ids), "names" (who filled and members by name). Keys stand in the environment, never here.
# [copy]
# to = "s3://bucket/quay"              # or "file:///media/usb/quay"
# people = "nobody"
"""
