"""A station in memory with a row in every input, refreshed without files: for tests of what depends on what.

Rows go straight into the warehouse, each as intake would have accepted it; samples lie in a lake of their own.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
from small_station import by_key

from pipelines.intake.accept_samples import SampleParts
from pipelines.publish.snapshot import Publisher
from pipelines.refresh.engine import Refresh
from pipelines.refresh.order import refresh_tables
from pipelines.station.settings import Station, load_station, write_station
from pipelines.warehouse.store import STORED, Warehouse
from schemas.frames import conform
from schemas.policy import Policy
from schemas.snapshot import Manifest
from schemas.sources import SOURCES
from schemas.tables import TABLES

TODAY = pd.Timestamp("2026-04-02").as_unit("us")
SAVED_AT = pd.Timestamp("2026-04-02 12:00", tz="UTC").as_unit("us")
Rows = dict[str, list[dict]]


def _cylinder(cylinder_id: str, **more) -> dict:
    return {
        "cylinder_id": cylinder_id,
        "owner_id": "station",
        "material": "steel",
        "water_capacity_l": 12.0,
        "working_pressure_bar": 232.0,
        "test_pressure_bar": 348.0,
        "valve_pressure_bar": 232.0,
        "manufactured_on": "2022-05-01",
        "empty_mass_kg": 14.0,
        "status": "in_service",
    } | more


def _fill(n: int, unit: str, at: str, **more) -> dict:
    return {
        "fill_id": f"F{n}",
        "filled_at": f"2026-03-{at}",
        "unit_id": unit,
        "station_id": "Quay",
        "source_id": "K1",
        "gauge_id": "G1",
        "fill_method": "air",
        "start_pressure_bar": 50.0,
        "target_pressure_bar": 232.0,
        "stop_pressure_bar": 231.0,
        "ambient_c": 17.0,
        "fill_minutes": 9.0,
        "target_o2_pct": 20.95,
    } | more


def _dive(n: int, member: str, at: str, **more) -> dict:
    return {
        "dive_id": f"D{n}",
        "member_id": member,
        "started_at": f"2026-03-{at}",
        "water": "salt",
        "water_c": 9.0,
        "air_c": 14.0,
        "suit": "dry",
    } | more


def _tank(n: int, member: str, unit: str, **more) -> dict:
    return {
        "dive_id": f"D{n}",
        "member_id": member,
        "tank_no": 1,
        "unit_id": unit,
        "role": "back",
        "start_pressure_bar": 212.0,
        "end_pressure_bar": 90.0,
    } | more


def samples(n: int, member: str, minutes: int = 30, end_bar: float = 95.0) -> list[dict]:
    """Samples of a dive, one each half minute."""
    seconds = minutes * 60
    return [
        {
            "dive_id": f"D{n}",
            "member_id": member,
            "t_s": float(t),
            "depth_m": min(16.0, t / 10, (seconds - t) / 10),
            "water_c": 9.0,
            "tank_1_bar": round(210.0 - (210.0 - end_bar) * t / seconds, 1),
        }
        for t in range(0, seconds + 1, 30)
    ]


def rows() -> Rows:
    """A row or more of every input; each of them matters to some published table."""
    return {
        "members": [
            {"member_id": "M1", "display_name": "Ines Vard", "mix_qualification": "air", "email": "ines@quay.example"},
            {"member_id": "M2", "display_name": "Jon Alder", "mix_qualification": "nitrox"},
        ],
        "cylinders": [
            _cylinder("C1"),
            _cylinder("C2", owner_id="M1"),
            _cylinder("S1L", set_id="S1", set_position="left", set_kind="manifolded"),
            _cylinder("S1R", set_id="S1", set_position="right", set_kind="manifolded"),
        ],
        "set_members": [
            {"set_id": "S1", "cylinder_id": "S1L", "position": "left", "from_on": "2022-06-01"},
            {"set_id": "S1", "cylinder_id": "S1R", "position": "right", "from_on": "2022-06-01"},
        ],
        "inspections": [
            {"cylinder_id": c, "inspected_on": on, "kind": "visual", "result": "pass", "found_mass_kg": 14.0}
            for c, on in (("C1", "2023-12-01"), ("C2", "2024-06-01"), ("S1L", "2024-06-01"), ("S1R", "2024-06-01"))
        ],
        "gauges": [
            {"gauge_id": "G1", "station_id": "Quay", "accuracy_class": 1.6, "span_bar": 400.0, "step_bar": 1.0,
             "checked_on": "2026-01-10", "offset_bar": 1.0},
        ],
        "sources": [
            {"source_id": "K1", "kind": "compressor"},
            {"source_id": "B1", "kind": "bank", "fed_by": "K1", "water_capacity_l": 50.0, "o2_pct": 20.95,
             "he_pct": 0.0, "oxygen_compatible": True},
        ],
        "compressors": [
            {"compressor_id": "K1", "filter_life_hours": 50.0, "filter_reference_c": 20.0,
             "rated_delivery_free_l_min": 180.0, "service_hours": 500.0}
        ],
        "compressor_log": [
            {"compressor_id": "K1", "read_at": "2026-02-01 09:00", "hours": 100.0, "event": "filter_change"},
            {"compressor_id": "K1", "read_at": "2026-03-20 09:00", "hours": 112.0, "event": "reading",
             "ambient_c": 16.0, "outlet_c": 30.0, "pumped_from_bar": 50.0, "pumped_to_bar": 230.0,
             "pumped_volume_l": 12.0, "pumped_minutes": 12.0},
        ],
        "air_tests": [
            {"compressor_id": "K1", "sampled_on": "2026-01-15", "co_ppm": 1.0, "co2_ppm": 400.0, "oil_mg_m3": 0.1,
             "water_mg_m3": 20.0, "o2_pct": 20.9, "odour": False},
            {"compressor_id": "K1", "sampled_on": "2026-03-15", "co_ppm": 2.0, "co2_ppm": 400.0, "oil_mg_m3": 0.1,
             "water_mg_m3": 20.0, "o2_pct": 20.9, "odour": False},
            {"compressor_id": "K1", "sampled_on": "2026-03-29", "co_ppm": 9.0, "co2_ppm": 400.0, "oil_mg_m3": 0.1,
             "water_mg_m3": 20.0, "o2_pct": 20.9, "odour": False},
        ],
        "fills": [
            _fill(1, "C1", "02 10:00", settled_pressure_bar=208.0, settled_c=15.0, settled_at="2026-03-02 16:00"),
            _fill(2, "C2", "03 10:00", member_id="M1"),
            _fill(3, "C1", "06 10:00", source_id="B1", fill_method="banked_mix"),
            _fill(4, "S1", "07 10:00", settled_pressure_bar=210.0, settled_c=15.0, settled_at="2026-03-07 16:00"),
            _fill(5, "C1", "12 10:00", start_pressure_bar=88.0),
            _fill(6, "C2", "13 10:00", start_pressure_bar=205.0, stop_pressure_bar=240.0, target_pressure_bar=232.0),
            _fill(7, "C1", "20 10:00", start_pressure_bar=190.0),
            _fill(8, "C1", "28 10:00", start_pressure_bar=189.0),
            _fill(9, "S1", "29 10:00", start_pressure_bar=100.0, target_o2_pct=32.0),
        ],
        "releases": [
            {"fill_id": "F6", "released_at": "2026-03-14 09:00", "released_by": "Jon", "reason": "read again, cold"}
        ],
        "fill_readings": [
            {"fill_id": "F5", "read_at": "2026-03-12 10:20", "analysed_o2_pct": 20.9, "read_by": "Jon"},
            {"fill_id": "F3", "read_at": "2026-03-06 17:00", "settled_pressure_bar": 209.0, "settled_c": 15.0},
        ],
        "returns": [{"unit_id": "S1", "back_at": "2026-03-29 18:00", "back_pressure_bar": 90.0}],
        "loans": [{"unit_id": "C1", "member_id": "M2", "out_at": "2026-03-30 09:00", "due_on": "2026-04-01"}],
        "dives": [
            _dive(1, "M1", "04 14:00"),
            _dive(2, "M2", "08 14:00", water_c=None, air_c=None),
            _dive(3, "M1", "14 14:00", duration_min=40.0, mean_depth_m=11.0, max_depth_m=18.0),
            _dive(4, "M1", "22 14:00", duration_min=40.0, mean_depth_m=11.0, max_depth_m=18.0, air_c=None),
        ],
        "dive_tanks": [
            _tank(1, "M1", "C2"),
            _tank(2, "M2", "S1"),
            _tank(3, "M1", "C2", end_pressure_bar=60.0),
            _tank(4, "M1", "C1", end_pressure_bar=60.0),
        ],
        "dive_samples": [*samples(1, "M1"), *samples(2, "M2")],
        "kits": [
            {"member_id": "M1", "valid_from": "2026-01-01", "lift_capacity_kg": 18.0, "ballast_kg": 6.0,
             "other_negative_kg": 2.0, "suit_buoyancy_kg": 9.0, "suit_buoyancy_at_depth_kg": 4.0}
        ],
        "bookings": [{"starts_on": "2026-05-01", "ends_on": "2026-05-03", "cylinders_needed": 2, "material": "steel"}],
        "visits": [{"visit_on": "2026-04-20", "capacity": 6, "back_on": "2026-04-27"}],
        "withdrawals": [
            {"source": "fills", "key": "F0", "withdrawn_at": "2026-03-30 09:00", "withdrawn_by": "J", "reason": "twice"}
        ],
        "links": [{"source_ref": "T-9", "kind": "cylinder", "target_id": "C1"}],
    }  # fmt: skip


#: what intake rejected: something went in that the log does not know, something may have failed
NOT_ACCEPTED = {
    "fills": [_fill(90, "C2", "25 10:00")],
    "inspections": [{"cylinder_id": "C2", "inspected_on": "2026-03-26", "kind": "visual", "result": "fail"}],
}


@dataclass
class MemoryStation:
    """Rows, settings and a day, and what was published of them last."""

    folder: Path
    rows: Rows
    policy: Policy
    today: pd.Timestamp = TODAY
    previous: Manifest | None = None

    def __post_init__(self) -> None:
        if not (self.folder / "station.toml").exists():
            write_station(self.folder, name="Quay", time_zone="UTC", today="data")
        self.warehouse = Warehouse(Path(":memory:"))
        self._stored: Rows = {}
        self._moment = SAVED_AT
        self.store()

    @property
    def station(self) -> Station:
        """The station with the policy of this moment."""
        return replace(load_station(self.folder), policy=self.policy)

    def store(self) -> None:
        """Bring the warehouse to the rows as they are now."""
        con = self.warehouse.con
        for source, wanted in self.rows.items():
            if self._stored.get(source) == wanted:
                continue
            if source == "dive_samples":
                con.execute("DELETE FROM lake_parts")
                self._store_samples(typed(source, wanted))
            else:
                con.execute(f"DELETE FROM rows_{source}")
                self.warehouse.add_rows(source, typed(source, wanted), "current")
                if source in NOT_ACCEPTED:
                    self.warehouse.add_rows(source, typed(source, NOT_ACCEPTED[source]), "rejected")
        # the months of the lake's parts are those of the dives
        if self._stored.get("dives") != self.rows["dives"] and self._stored:
            con.execute("DELETE FROM lake_parts")
            self._store_samples(typed("dive_samples", self.rows["dive_samples"]))
        self._stored = {name: [dict(r) for r in wanted] for name, wanted in self.rows.items()}
        self.warehouse._remembered.clear()

    def _store_samples(self, frame: pd.DataFrame) -> None:
        dives = self.warehouse.current("dives").set_index(["member_id", "dive_id"])["started_at"]
        known = pd.MultiIndex.from_frame(frame[["member_id", "dive_id"]]).isin(dives.index)
        frame = frame[known].reset_index(drop=True)
        frame["row_number"] = range(len(frame))
        marked = {"file": "dive_samples.csv", "file_sha256": "0" * 64, "order_at": SAVED_AT}
        with self.warehouse.transaction():
            SampleParts(self.station.lake, self.warehouse, self._moment).store(frame, "current", marked, dives)

    def refresh(self, *, anew: bool = False) -> tuple[dict[str, int], Manifest]:
        """Refresh and publish; `anew` takes nothing over from what was published before."""
        self._moment += pd.Timedelta(seconds=1)
        publisher = Publisher(self.station.published, None if anew else self.previous, self._moment)
        made = refresh_tables(self.station, self.warehouse, publisher, self.today, lambda *_: None)
        manifest = publisher.finish(
            Manifest(publisher.name, 1, f"{self.today:%Y-%m-%d}", str(self._moment), "", {}, "run", steps=steps())
        )
        if not anew:
            self.previous = manifest
        return made, manifest

    def tables(self, manifest: Manifest) -> dict[str, pd.DataFrame]:
        """Every published table of a snapshot, sorted by its key."""
        published = self.station.published
        return {
            t.name: by_key(published, manifest, t)
            for t in TABLES.values()
            if not t.internal and manifest.tables.get(t.name)
        }


def steps() -> dict[str, str]:
    """What the manifest says of the steps."""
    from pipelines.refresh.order import STEPS
    from pipelines.refresh.step import step_digest

    return {step.name: step_digest(step) for step in STEPS}


def typed(source: str, wanted: list[dict]) -> pd.DataFrame:
    """Rows with the types that intake gives them."""
    fields = SOURCES[source].fields
    frame = pd.DataFrame(wanted, columns=[c for c in fields if c != "revised_at"])
    for name in frame:
        if fields[name].kind == "time":
            frame[name] = pd.to_datetime(frame[name], utc=True)
        elif fields[name].kind == "date":
            frame[name] = pd.to_datetime(frame[name])
    made = conform(frame, fields.values())
    return made.assign(assumed=[[] for _ in range(len(made))], value_flags=[[] for _ in range(len(made))])


def shelf_of(station: MemoryStation) -> Refresh:
    """The refresh of a station with all its frames on the shelf, for questions about fingerprints."""
    seen: list[Refresh] = []
    import pipelines.refresh.order as order

    real = order.Refresh

    def remembered(*args, **named):
        seen.append(real(*args, **named))
        return seen[-1]

    order.Refresh = remembered
    try:
        station.refresh()
        station.refresh()  # now something was published before
    finally:
        order.Refresh = real
    return seen[-1]


assert set(rows()) == {*STORED, "dive_samples"}, "a source without a row"
