"""`station.toml`: what a station decides for itself, read once, checked whole, with words for every mistake."""

import difflib
import re
import tomllib
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo, available_timezones

from pipelines.mapping_settings import Complain, read_mapping
from pipelines.readers.mapping import Mapping
from pipelines.station_text import RULE_SETS, station_text
from schemas.logins import SIGN_IN_ROLES
from schemas.policy import SECTIONS, Policy
from schemas.sources import SOURCES

FILE = "station.toml"
TANK_ROLES = ("back", "stage", "deco", "bailout", "suit", "oxygen", "diluent")


class SettingsError(ValueError):
    """`station.toml` cannot be used; `.problems` names each mistake and its mend."""

    def __init__(self, problems: list[str]):
        super().__init__("\n".join(problems))
        self.problems = problems


@dataclass(frozen=True)
class Uddf:
    """How UDDF files of this station are read."""

    zone: str = ""
    decimal: str = "."
    pressure: str = "gauge"
    #: tank id or name in the file → role
    roles: AnyMapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Station:
    """A station on disk and its settings."""

    folder: Path
    name: str
    time_zone: str
    today: str
    policy: Policy
    mappings: AnyMapping[str, Mapping]
    uddf: Uddf
    #: e-mail or subject → role, for signing in
    people: AnyMapping[str, str] = field(default_factory=dict)
    roles_claim: str = ""
    cron: str = "*/10 * * * *"

    inbox = property(lambda self: self.folder / "inbox")
    archive = property(lambda self: self.folder / "archive")
    lake = property(lambda self: self.folder / "lake")
    warehouse = property(lambda self: self.folder / "warehouse.duckdb")
    published = property(lambda self: self.folder / "published")
    reports = property(lambda self: self.folder / "reports")

    @property
    def zone(self) -> ZoneInfo:
        """The station's time zone."""
        return ZoneInfo(self.time_zone)


def load_station(folder: Path) -> Station:
    """Read the settings of the station in a folder.

    Raises
    ------
    SettingsError
        No station there, not TOML, or any key or value that is not known; all mistakes at once.
    """
    folder = Path(folder)
    path = folder / FILE
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            [f"{folder} is no station: there is no {FILE}. Make one with: coldfill init {folder}"]
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError([f"{path} cannot be read: {error}. Save it as UTF-8 text."]) from None
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            [f"{FILE} is not valid TOML: {error}. Texts need quotation marks; a key may stand once."]
        ) from None
    complain = _Complaints(text)
    station = _station(folder, told, complain)
    if complain.problems:
        raise SettingsError(complain.problems)
    return station


def _station(folder: Path, told: dict, complain: "_Complaints") -> Station:
    known = ("station", "policy", "sources", "uddf", "roles", "schedule", "scale")
    told = _tables(told, (), known, complain)
    head = _table(told, ("station",), ("name", "time_zone", "rule_set", "today"), complain)
    zone = _zone(head.get("time_zone", "Europe/London"), ("station", "time_zone"), complain)
    rule_set = _one_of(head.get("rule_set", "uk"), ("station", "rule_set"), RULE_SETS, complain)
    policy = _policy(told.get("policy", {}), rule_set, zone, complain)
    sources = _tables(told.get("sources", {}), ("sources",), tuple(SOURCES), complain)
    mappings = {name: read_mapping(name, sources.get(name, {}), complain) for name in SOURCES}
    schedule = _table(told, ("schedule",), ("cron",), complain)
    for key, value in _table(told, ("scale",), ("scheduler",), complain).items():
        if value != "":
            complain(
                ("scale", key),
                value,
                "is not built yet: every run computes on this machine alone",
                "Take the line out; nothing else is needed.",
            )
    people, claim = _roles(told.get("roles", {}), complain)
    return Station(
        folder=folder,
        name=_text(head.get("name", folder.resolve().name), ("station", "name"), complain),
        time_zone=zone,
        today=_today(head.get("today", "clock"), complain),
        policy=policy,
        mappings=mappings,
        uddf=_uddf(told.get("uddf", {}), policy, complain),
        people=people,
        roles_claim=claim,
        cron=_cron(schedule.get("cron", Station.cron), complain),
    )


# --- parts ------------------------------------------------------------------------------------
def _policy(told: Any, rule_set: str, zone: str, complain: "_Complaints") -> Policy:
    told = _tables(told, ("policy",), tuple(SECTIONS), complain)
    made: dict[str, Any] = {}
    kinds: dict[str, Any] = dict(SECTIONS)
    for section, kind in kinds.items():
        declared = {f.name: f for f in fields(kind)}
        values = _tables(told.get(section, {}), ("policy", section), tuple(declared), complain)
        made[section] = kind(
            **{k: _setting(declared[k], v, ("policy", section, k), complain) for k, v in values.items()}
        )
    filling = made["filling"]
    if filling.hot_limit == "rule_set" and filling.relief_bar is None:
        complain(
            ("policy", "filling", "hot_limit"),
            "rule_set",
            "a hot overshoot needs the setting of the relief valve",
            'Give relief_bar, or write hot_limit = "permitted".',
        )
    return Policy(rule_set=rule_set, time_zone=zone, **made)


def _setting(declared, value: Any, where: tuple[str, ...], complain: "_Complaints") -> Any:
    kinds = get_args(declared.type) or (declared.type,)
    low, high, choices = (declared.metadata.get(k) for k in ("low", "high", "choices"))
    kind = next(k for k in kinds if k is not type(None))
    right = (
        isinstance(value, bool)
        if kind is bool
        else isinstance(value, str)
        if kind is str
        else (
            isinstance(value, (int, float))
            and not isinstance(value, bool)
            and (kind is float or float(value).is_integer())
        )
    )
    wanted = {bool: "true or false", str: "text in quotation marks", int: "a whole number", float: "a number"}[kind]
    if not right:
        complain(
            where,
            value,
            f"must be {wanted}",
            f"The default is {declared.default!r}." if declared.default is not None else "",
        )
        return declared.default
    if choices and value not in choices:
        return _one_of(value, where, choices, complain) and declared.default
    if kind in (int, float) and not ((low is None or value >= low) and (high is None or value <= high)):
        complain(where, value, f"must lie from {low:g} to {high:g}", "")
        return declared.default
    return kind(value)


def _uddf(told: Any, policy: Policy, complain: "_Complaints") -> Uddf:
    told = _tables(told, ("uddf",), ("zone", "decimal", "roles"), complain)
    roles = told.get("roles", {})
    if not isinstance(roles, dict):
        complain(("uddf", "roles"), roles, "must be a table", '[uddf.roles] "tank id" = "back"')
        roles = {}
    for tank, role in roles.items():
        _one_of(role, ("uddf", "roles", tank), TANK_ROLES, complain)
    zone = told.get("zone", "")
    return Uddf(
        zone=_zone(zone, ("uddf", "zone"), complain) if zone else "",
        decimal=_one_of(told.get("decimal", "."), ("uddf", "decimal"), (".", ","), complain),
        pressure=policy.dives.uddf_pressure,
        roles=dict(roles),
    )


def _roles(told: Any, complain: "_Complaints") -> tuple[dict[str, str], str]:
    told = _tables(told, ("roles",), (*SIGN_IN_ROLES, "claim"), complain)
    people: dict[str, str] = {}
    for role in SIGN_IN_ROLES:
        listed = told.get(role, [])
        if not (isinstance(listed, list) and all(isinstance(p, str) for p in listed)):
            complain(("roles", role), listed, "must be a list of addresses", f'{role} = ["someone@station.example"]')
            continue
        for person in listed:
            if people.setdefault(person.casefold(), role) != role:
                complain(("roles", role), person, f"is {people[person.casefold()]} already", "A person has one role.")
    return people, _text(told.get("claim", ""), ("roles", "claim"), complain)


def _today(value: Any, complain: "_Complaints") -> str:
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, date):
        return value.isoformat()
    if value in ("clock", "data"):
        return value
    try:
        return date.fromisoformat(value).isoformat()
    except (TypeError, ValueError):
        complain(
            ("station", "today"),
            value,
            'must be "clock", "data" (the last day in any input) or a day',
            'today = "clock"',
        )
        return "clock"


def _zone(value: Any, where: tuple[str, ...], complain: "_Complaints") -> str:
    if isinstance(value, str) and value in available_timezones():
        return value
    near = difflib.get_close_matches(str(value), available_timezones(), 1)
    complain(where, value, "is no time zone", f"Did you mean {near[0]!r}?" if near else 'Write it as "Europe/London".')
    return "UTC"


def _cron(value: Any, complain: "_Complaints") -> str:
    part = r"[\d*/,\-A-Za-z#L?]+"
    if isinstance(value, str) and re.fullmatch(rf"\s*{part}(\s+{part}){{4}}\s*", value):
        return value.strip()
    complain(
        ("schedule", "cron"),
        value,
        "must be five fields: minute, hour, day, month, weekday",
        'cron = "*/10 * * * *" is every ten minutes.',
    )
    return Station.cron


def _text(value: Any, where: tuple[str, ...], complain: "_Complaints") -> str:
    if isinstance(value, str):
        return value
    complain(where, value, "must be text in quotation marks", "")
    return ""


def _one_of(value: Any, where: tuple[str, ...], allowed: tuple[str, ...], complain: "_Complaints") -> str:
    if value in allowed:
        return value
    complain(where, value, f"must be one of {', '.join(allowed)}", "")
    return allowed[0]


def _table(told: dict, where: tuple[str, ...], known: tuple[str, ...], complain: "_Complaints") -> dict:
    return _tables(told.get(where[-1], {}), where, known, complain)


def _tables(told: Any, where: tuple[str, ...], known: tuple[str, ...], complain: "_Complaints") -> dict:
    """The table with its known keys; the unknown are complained of."""
    if not isinstance(told, dict):
        complain(where, told, "must be a table", f"[{'.'.join(where)}]")
        return {}
    for key in told:
        if key not in known:
            complain.unknown((*where, key), known)
    return {k: v for k, v in told.items() if k in known}


class _Complaints(Complain):
    """Collects mistakes and finds the lines they stand on."""

    def __init__(self, text: str):
        self.lines = text.splitlines()
        self.problems: list[str] = []

    def __call__(self, where: tuple[str, ...], value: Any, wrong: str, mend: str) -> None:
        line = self._line(where)
        shown = repr(value) if len(repr(value)) <= 60 else repr(value)[:57] + "…"
        table, key = ".".join(where[:-1]), where[-1]
        named = f"[{table}] {key} = {shown}" if table else f"{key} = {shown}"
        self.problems.append(f"{FILE}{f', line {line}' if line else ''}, {named}: {wrong}. {mend}".rstrip())

    def unknown(self, where: tuple[str, ...], known: tuple[str, ...]) -> None:
        line = self._line(where)
        near = difflib.get_close_matches(where[-1], known, 1)
        table = f" in [{'.'.join(where[:-1])}]" if len(where) > 1 else ""
        hint = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(known)}."
        self.problems.append(f"{FILE}{f', line {line}' if line else ''}: {where[-1]}{table} is not a setting. {hint}")

    def _line(self, where: tuple[str, ...]) -> int | None:
        table: list[str] = []
        best = None
        for number, line in enumerate(self.lines, 1):
            head = re.match(r"\s*\[\[?\s*(.+?)\s*\]\]?\s*(#.*)?$", line)
            if head:
                table = [p.strip().strip("\"'") for p in re.findall(r"\"[^\"]*\"|'[^']*'|[^.\s]+", head.group(1))]
                if tuple(table) == tuple(where):
                    return number
                continue
            key = re.match(r"\s*((?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"|'[^']*'))*)\s*=", line)
            if key:
                here = (
                    *table,
                    *(p.strip().strip("\"'") for p in re.findall(r"\"[^\"]*\"|'[^']*'|[^.\s]+", key.group(1))),
                )
                if here == tuple(where):
                    return number
                if here == tuple(where[: len(here)]):
                    best = best or number
        return best


# --- a new station ----------------------------------------------------------------------------
def write_station(
    folder: Path, *, name: str = "", rule_set: str = "uk", time_zone: str = "Europe/London", today: str = "clock"
) -> Path:
    """Make a station: its folders and a `station.toml` with every policy at its default.

    Raises
    ------
    SettingsError
        There is a station already, or the zone or the rule set is not known.
    """
    folder = Path(folder)
    if (folder / FILE).exists():
        raise SettingsError([f"{folder} is a station already: {FILE} is there and stays as it is."])
    text = station_text(name or folder.resolve().name, rule_set, time_zone, today)
    complain = _Complaints(text)
    station = _station(folder, tomllib.loads(text), complain)
    if complain.problems:
        raise SettingsError(complain.problems)
    for path in (station.inbox, station.archive, station.lake, station.published, station.reports):
        path.mkdir(parents=True, exist_ok=True)
    (folder / FILE).write_text(text, encoding="utf-8")
    return folder / FILE
