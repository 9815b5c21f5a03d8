"""Pages to print and files to subscribe to, made from the published snapshot alone."""

from collections.abc import Callable
from datetime import date
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from pipelines.publish.season_page import SEASON_TABLES, season_page
from pipelines.station.settings import Station
from schemas import holds, words
from schemas import labels as fill_labels
from schemas.codes import sentence
from schemas.reading_units import CHOICES, reading
from schemas.snapshot import Manifest, read_manifest, read_table

PAGES = Path(__file__).parent / "report_pages"
KINDS = ("morning", "labels", "inspections", "calendar", "season", "card")
SUFFIXES = {"calendar": (".ics",)}
"""Of the files of a kind; of others a page's."""
PAGE_SUFFIXES = (".html", ".htm")


def _why(row: dict[str, Any], column: str = "reasons") -> str:
    """What the codes of a row say, with that row's figures."""
    return " ".join(sentence(code, row) for code in words.listed(row.get(column)))


def _day(text: str) -> pd.Timestamp:
    try:
        return pd.Timestamp(date.fromisoformat(text))
    except ValueError as error:
        raise ValueError(f"--day {text}: not a day. Write year, month and day, as 2031-05-20.") from error


_Made = TypeVar("_Made")


def _in_units(report: Callable[..., _Made]) -> Callable[..., _Made]:
    """A report read in the station's units."""

    @wraps(report)
    def made(self: "Reports", *args: Any, **kwargs: Any) -> _Made:
        with reading(self.units):
            return report(self, *args, **kwargs)

    return made


class Reports:
    """The reports of one snapshot; `day` chooses the fills of the day, by default the last one with a fill.

    `units` are what they read in, by default those of the station.
    """

    def __init__(self, station: Station, day: str = "", units: str = ""):
        self.station, self.units = station, units or station.units
        if self.units not in CHOICES:
            raise ValueError(f"--units {self.units}: not one of {', '.join(CHOICES)}.")
        self.manifest: Manifest = read_manifest(station.published)
        self.zone = self.manifest.station["time_zone"]
        fills = self.table("fill_quality")
        self.fills = fills.assign(day=fills["filled_at"].dt.tz_convert(self.zone).dt.tz_localize(None).dt.normalize())
        last = self.fills["day"].max() if len(self.fills) else pd.Timestamp(self.manifest.as_of_on)
        self.day = _day(day) if day else last
        people = self.table("people")
        self.names = dict(zip(people["member_id"], people["display_name"], strict=True))

    def table(self, name: str) -> pd.DataFrame:
        return read_table(self.station.published, self.manifest, name)

    def write(self, kind: str, to: Path, member: str = "") -> None:
        """Write one report.

        Raises
        ------
        ValueError
            A season is asked for without a member, or for one who is not known; or the file's name says that it is
            something else.
        """
        fitting = SUFFIXES.get(kind, PAGE_SUFFIXES)
        if to.suffix.lower() not in fitting:
            raise ValueError(f"--to {to.name}: the report {kind} is a {fitting[0]} file.")
        if kind == "calendar":
            to.write_bytes(self.calendar())
        elif kind == "season":
            to.write_text(self.page("season.html", **self.season(member)), encoding="utf-8")
        else:
            to.write_text(self.page(f"{kind}.html", **getattr(self, kind)()), encoding="utf-8")

    @property
    def as_of(self) -> str:
        """The day of the snapshot, for people."""
        return words.day(pd.Timestamp(self.manifest.as_of_on))

    def page(self, template: str, **values: Any) -> str:
        """A page of `report_pages` with these values."""
        from jinja2 import Environment, FileSystemLoader, StrictUndefined

        pages = Environment(
            loader=FileSystemLoader(PAGES),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        return pages.get_template(template).render(
            station=self.manifest.station["name"],
            as_of=self.as_of,
            made_at=words.clock(pd.Timestamp(self.manifest.created_at), self.zone),
            **values,
        )

    # --- the reports --------------------------------------------------------------------------
    @_in_units
    def labels(self) -> dict[str, Any]:
        """A label for each fill of the day that may have one, and why the others have none."""
        given, without = [], []
        fills = self.fills.assign(superseded=fill_labels.superseded(self.fills))
        for row in fills[fills["day"] == self.day].to_dict("records"):
            why = fill_labels.withheld(row)
            if why:
                filled = words.clock(row["filled_at"], self.zone)
                without.append({"unit_id": row["unit_id"], "filled": filled, "why": why})
            else:
                given.append(self._label(row))
        return {
            "title": f"Labels for the fills of {words.day(self.day)}",
            "day": words.day(self.day),
            "labels": given,
            "without": without,
            "analyse": fill_labels.ANALYSE,
            "one_fill": fill_labels.ONE_FILL,
        }

    def _label(self, row: dict[str, Any]) -> fill_labels.Label:
        ppo2_bar = self.station.policy.filling.ppo2_bar
        return fill_labels.label(row, self.zone, ppo2_bar, self.names)

    @_in_units
    def inspections(self) -> dict[str, Any]:
        """What goes on which visit, and every cylinder by its next date."""
        health = self.table("cylinder_health")
        health = health[health["inspection_state"] != "condemned"].sort_values(
            ["next_due_on", "cylinder_id"], na_position="first"
        )
        plan = self.table("inspection_plan")
        by_id = {str(c["cylinder_id"]): c for c in health.to_dict("records")}
        visits = [
            {
                "day": words.day(on),
                "cylinders": [
                    {
                        "cylinder_id": p["cylinder_id"],
                        "kind": words.KINDS.get(p["kind"], p["kind"]),
                        "due": words.day(p["due_on"]),
                        "known": _why(by_id.get(str(p["cylinder_id"]), {}), "score_reasons"),
                    }
                    for p in rows.to_dict("records")
                ],
            }
            for on, rows in plan.groupby("visit_on")
        ]
        return {
            "title": "Inspections",
            "visits": visits,
            "cylinders": [self._dates(c) for c in health.to_dict("records")],
        }

    def _dates(self, c: dict[str, Any]) -> dict[str, Any]:
        return {
            "cylinder_id": c["cylinder_id"],
            "state": words.INSPECTION.get(c["inspection_state"], c["inspection_state"]),
            "kind": words.KINDS.get(c["next_due_kind"], ""),
            "due": words.day(c["next_due_on"]),
            "visual": words.day(c["last_visual_on"]),
            "hydrostatic": words.day(c["last_hydrostatic_on"]),
            "rule_set": c["rule_set"],
            "held_by": self.names.get(c["held_by"], c["held_by"] if words.known(c["held_by"]) else ""),
            "why": _why(c, "score_reasons"),
        }

    @_in_units
    def morning(self) -> dict[str, Any]:
        """What matters before the first fill of a day."""
        health, compressors = self.table("cylinder_health"), self.table("compressor_health")
        held = self.fills[self.fills["on_hold"].fillna(False).astype(bool)].sort_values("filled_at", ascending=False)
        barred = health[
            health["inspection_state"].isin(words.BARRED_STATES) | health["status"].isin(["withdrawn", "condemned"])
        ]
        due = health[health["inspection_state"] == "due_soon"].sort_values("next_due_on")
        rejects = self.table("rejects")
        return {
            "title": f"{self.manifest.station['name']}: morning sheet",
            "day": words.day(self.day),
            "reading_c": words.number(15, 0, "°C"),
            "due_soon_days": self.station.policy.fleet.due_soon_days,
            "holds": [
                {
                    "unit_id": f["unit_id"],
                    "filled": words.clock(f["filled_at"], self.zone),
                    "member": self.names.get(f["member_id"], ""),
                    "why": _why(f),
                    "air": holds.air(f),
                }
                for f in held.to_dict("records")
            ],
            "recall": [self._recalled(r) for r in self.table("recall").to_dict("records")],
            "sources": [
                {
                    "source_id": s["source_id"],
                    "air": words.air(s["air_state"], s["air_failed_on"]),
                    "why": f"Do not fill from it: {holds.why_failed(s)}." if s["air_state"] == "failed" else "",
                    "passed": s["air_state"] == "passed",
                }
                for s in self.table("gas_sources").to_dict("records")
            ],
            "barred": [self._dates(c) for c in barred.to_dict("records")],
            "fills": [
                {
                    "unit_id": f["unit_id"],
                    "verdict": words.VERDICTS.get(f["verdict"], ""),
                    "target": words.number(f["target_pressure_bar"], 0, "bar"),
                    "stop": words.number(f["stop_pressure_bar"], 0, "bar"),
                    "settled": words.with_interval(
                        f["settled_pressure_bar_15c"], f["settled_low_bar_15c"], f["settled_high_bar_15c"], 0, "bar"
                    ),
                    "mix": words.mix(f["o2_pct"], f["he_pct"]),
                    "air": holds.air(f),
                }
                for f in self.fills[self.fills["day"] == self.day].sort_values("filled_at").to_dict("records")
            ],
            "due": [self._dates(c) for c in due.to_dict("records")],
            "compressors": [
                {
                    "compressor_id": c["compressor_id"],
                    "hours": words.number(c["hours"], 1),
                    "filter": words.number(c["filter_hours_left"], 1),
                    "test": words.day(c["air_test_due_on"]),
                    "why": _why(c),
                }
                for c in compressors.to_dict("records")
            ],
            "problems": int((rejects["resolved_at"].isna() & rejects["dismissed_at"].isna()).sum()),
        }

    def _recalled(self, row: dict[str, Any]) -> dict[str, str]:
        """One fill to call back."""
        return {
            "unit_id": row["unit_id"],
            "fill_id": row["fill_id"],
            "held_by": self.names.get(row["held_by"], row["held_by"] if words.known(row["held_by"]) else ""),
            "why": row["reason"],
            "since": words.day(row["since"]) if words.known(row["since"]) else "never found good",
        }

    @_in_units
    def season(self, member: str) -> dict[str, Any]:
        """One diver's last year on one page: what it came to, and its newest dives."""
        if member not in self.names:
            known = ", ".join(sorted(self.names)[:20])
            raise ValueError(f"--member {member or '(none)'}: name one of {known}.")
        return season_page(
            {name: self.table(name)[lambda f: f["member_id"] == member] for name in SEASON_TABLES},
            self.names[member],
            pd.Timestamp(self.manifest.as_of_on),
            self.zone,
            self.station.policy.reserve,
        )

    @_in_units
    def card(self) -> dict[str, Any]:
        """What an operator needs at the compressor when no screen is at hand."""
        from pipelines.publish.card import power_cut_card

        return power_cut_card(
            self.table("units"),
            self.table("cylinder_health"),
            self.table("fill_quality"),
            self.table("gas_sources"),
            self.table("compressor_health")["air_test_due_on"],
            pd.Timestamp(self.manifest.as_of_on),
            self.manifest.station["rule_set"],
            self.zone,
        )

    @_in_units
    def calendar(self) -> bytes:
        """Inspection dates as iCalendar: phones import it or subscribe to it."""
        from pipelines.publish.calendar import inspection_calendar

        return inspection_calendar(
            self.table("cylinder_health"),
            self.table("inspection_plan"),
            pd.Timestamp(self.manifest.as_of_on),
            self.manifest.station["name"],
            notice_days=self.station.policy.fleet.due_soon_days,
        )
