"""`station.toml`: what a station decides for itself, declared once, read and checked whole."""

import re
import tomllib
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Self, get_args
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, create_model, model_validator

from pipelines.readers.tables.mapping import Mapping
from pipelines.station.keeping import Backups, Copying, Keeping
from pipelines.station.layouts import NamedLayout, Sources
from pipelines.station.mail import Mail
from pipelines.station.settings_words import (
    FILE,
    Mistake,
    Mistakes,
    SettingsError,
    Table,
    Zone,
    number,
    one_of,
    read_table,
    wrong,
)
from pipelines.station.text import RULE_SETS, station_text
from schemas import reading_units
from schemas.logins import SIGN_IN_ROLES
from schemas.policy import SECTIONS, Policy
from schemas.sources import SOURCES

__all__ = ["FILE", "SettingsError", "Station", "Uddf", "load_station", "write_station"]


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
    #: by source: the layout of files that none of `layouts` matches
    mappings: AnyMapping[str, Mapping]
    uddf: Uddf
    #: by name: layouts of files whose names match
    layouts: AnyMapping[str, Mapping] = field(default_factory=dict)
    #: e-mail or subject → role, for signing in
    people: AnyMapping[str, str] = field(default_factory=dict)
    roles_claim: str = ""
    cron: str = "*/10 * * * *"
    #: run too when something changes in the inbox
    watch: bool = False
    #: what a run removes after how long
    keep: Keeping = field(default_factory=Keeping)
    #: where the schedule writes backups
    backups: Backups = field(default_factory=Backups)
    #: where runs copy what is published
    copying: Copying = field(default_factory=Copying)
    #: where the morning sheet is sent
    mail: Mail = field(default_factory=Mail)
    #: of this machine, for members' parts; 0 for one a core
    processes: int = 0
    #: of a Dask cluster that computes them instead
    scheduler: str = ""
    #: what pages and reports are read in, one of `reading_units.CHOICES`; nothing stored follows it
    units: str = reading_units.METRIC
    #: its settings give it a name, as `init` does: a file that was cut or emptied does not
    named: bool = True

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


# --- the tables of the file -------------------------------------------------------------------
def _today(value: Any) -> str:
    if value in ("clock", "data"):
        return value
    try:
        day = value.date() if isinstance(value, datetime) else value
        return day.isoformat() if isinstance(day, date) else date.fromisoformat(day).isoformat()
    except (TypeError, ValueError):
        raise wrong('must be "clock", "data" (the last day in any input) or a day', 'today = "clock"') from None


def _cron(value: str) -> str:
    if len(value.split()) == 5 and re.fullmatch(r"[\d*/,\-A-Za-z#L?\s]+", value):
        return value.strip()
    raise wrong("must be five fields: minute, hour, day, month, weekday", 'cron = "*/10 * * * *" is every ten minutes.')


def _addresses(value: Any) -> tuple[str, ...]:
    if isinstance(value, list) and all(isinstance(v, str) for v in value):
        return tuple(v.casefold() for v in value)
    raise wrong("must be a list of addresses", '["someone@station.example"]')


def _scheduler(value: str) -> str:
    if value in ("", "local") or re.fullmatch(r"(tcp|tls|ucx|ws|wss)://[^\s/]+:\d+", value):
        return value
    raise wrong("is no address of a Dask scheduler", 'As "tcp://host:8786", or "local" for processes of this machine.')


def _section(kind: Any) -> type[Table]:
    """The table of one section of the policy, from its declarations."""
    made: dict[str, Any] = {}
    for f in fields(kind):
        of = next(k for k in get_args(f.type) or (f.type,) if k is not type(None))
        about = f.metadata
        value: Any = of
        if about["choices"]:
            value = one_of(*about["choices"])
        elif of in (int, float):
            value = number(of, about["low"], about["high"])
        made[f.name] = (value | None if f.default is None else value, f.default)
    return create_model(kind.__name__, __base__=Table, **made)


_SECTIONS: dict[str, Any] = {name: ((of := _section(kind)), of()) for name, kind in dict[str, Any](SECTIONS).items()}
_Policy: Any = create_model("_Policy", __base__=Table, **_SECTIONS)


class _PolicyTable(_Policy):
    @model_validator(mode="after")
    def _overshoot_has_its_relief(self) -> Self:
        if self.filling.hot_limit == "rule_set" and self.filling.relief_bar is None:
            lacks = "a hot overshoot needs the setting of the relief valve"
            fix = 'Give relief_bar, or write hot_limit = "permitted".'
            raise Mistakes([Mistake(("filling", "hot_limit"), "rule_set", lacks, fix)])
        return self


class _Head(Table):
    name: str = ""
    time_zone: Zone = Policy.time_zone
    rule_set: one_of(*RULE_SETS) = Policy.rule_set  # type: ignore[valid-type]
    today: Annotated[str, BeforeValidator(_today)] = "clock"


class _Uddf(Table):
    zone: Zone = ""
    decimal: one_of(".", ",") = "."  # type: ignore[valid-type]
    roles: dict[str, one_of(*SOURCES["dive_tanks"].fields["role"].choices)] = Field(default_factory=dict)  # type: ignore[valid-type]


_Addresses = Annotated[tuple[str, ...], BeforeValidator(_addresses)]


class _Roles(create_model("_Lists", __base__=Table, **{role: (_Addresses, ()) for role in SIGN_IN_ROLES})):  # type: ignore[misc]
    claim: str = ""

    @property
    def people(self) -> dict[str, str]:
        return {person: role for role in SIGN_IN_ROLES for person in getattr(self, role)}

    @model_validator(mode="after")
    def _one_role_each(self) -> Self:
        for n, role in enumerate(SIGN_IN_ROLES):
            for earlier in SIGN_IN_ROLES[:n]:
                for person in set(getattr(self, role)) & set(getattr(self, earlier)):
                    raise Mistakes([Mistake((role,), person, f"is {earlier} already", "A person has one role.")])
        return self


class _Display(Table):
    units: one_of(*reading_units.CHOICES) = reading_units.METRIC  # type: ignore[valid-type]


class _Schedule(Table):
    cron: Annotated[str, AfterValidator(_cron)] = Station.cron
    watch: bool = False


class _Scale(Table):
    processes: Annotated[int, Field(ge=0, le=256)] = Station.processes
    scheduler: Annotated[str, AfterValidator(_scheduler)] = Station.scheduler


class _File(Table):
    station: _Head = _Head()
    policy: _PolicyTable = _PolicyTable()
    sources: Sources = Sources()
    layouts: dict[str, NamedLayout] = Field(default_factory=dict)
    uddf: _Uddf = _Uddf()
    display: _Display = _Display()
    roles: _Roles = _Roles()
    schedule: _Schedule = _Schedule()
    mail: Mail = Mail()
    keep: Keeping = Keeping()
    backup: Backups = Backups()
    copy_: Copying = Field(default=Copying(), alias="copy")
    scale: _Scale = _Scale()


# --- reading and writing ----------------------------------------------------------------------
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
    return settings_of(folder, text)


def settings_of(folder: Path, text: str) -> Station:
    """The settings that a text of `station.toml` says.

    Raises
    ------
    SettingsError
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            [f"{FILE} is not valid TOML: {error}. Texts need quotation marks; a key may stand once."]
        ) from None
    read: Any = read_table(_File, content, text)
    head, sections = read.station, {name: getattr(read.policy, name).model_dump() for name in SECTIONS}
    policy = Policy(head.rule_set, head.time_zone, **{name: SECTIONS[name](**v) for name, v in sections.items()})
    return Station(
        folder=folder,
        name=head.name or folder.resolve().name,
        time_zone=head.time_zone,
        today=head.today,
        policy=policy,
        mappings={s: getattr(read.sources, s).mapping(files=getattr(read.sources, s).names) for s in SOURCES},
        layouts={name: layout.mapping(name, layout.files) for name, layout in read.layouts.items()},
        uddf=Uddf(**read.uddf.model_dump(), pressure=policy.dives.uddf_pressure),
        people=read.roles.people,
        roles_claim=read.roles.claim,
        cron=read.schedule.cron,
        watch=read.schedule.watch,
        keep=read.keep,
        backups=read.backup,
        copying=read.copy_,
        mail=read.mail,
        processes=read.scale.processes,
        scheduler=read.scale.scheduler,
        units=read.display.units,
        named=bool(head.name),
    )


def write_station(
    folder: Path,
    *,
    name: str = "",
    rule_set: str = "uk",
    time_zone: str = "Europe/London",
    today: str = "clock",
    units: str = reading_units.METRIC,
    managers: tuple[str, ...] = (),
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
    text = station_text(name or folder.resolve().name, rule_set, time_zone, today, units, managers)
    station = settings_of(folder, text)
    for path in (station.inbox, station.archive, station.lake, station.published, station.reports):
        path.mkdir(parents=True, exist_ok=True)
    (folder / FILE).write_text(text, encoding="utf-8")
    return folder / FILE
