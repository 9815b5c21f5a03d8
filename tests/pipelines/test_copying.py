"""A copy of what is published, at an address: whole or as it was, of people what is granted, never silently late."""

import json
import shutil
import threading
import time
from dataclasses import replace

import pandas as pd
import pytest
import small_station as s
from fsspec.implementations.local import LocalFileSystem
from fsspec.implementations.memory import MemoryFileSystem

from dashboard import access
from pipelines.publish import copying
from pipelines.publish.copy_note import CLEAR, NOTE, clear_from, clear_later, left_at, read_note
from pipelines.publish.copying import copy_out
from pipelines.publish.snapshot import Publisher, write_durably
from pipelines.station.keeping import Copying
from pipelines.station.lock import held
from pipelines.warehouse.lake import write_part
from schemas import copied, samples
from schemas.address import AddressTrouble, Place
from schemas.analysis import open_station
from schemas.copied_tables import ADDED, CHOICES, IDS, NAMES, NEVER, NOBODY
from schemas.copied_tables import copied as copied_columns
from schemas.frames import conform
from schemas.snapshot import Manifest, NothingPublished, SnapshotDamaged, SnapshotNewer, read_manifest
from schemas.sources import SOURCES
from schemas.tables import TABLES

NOON = pd.Timestamp("2031-06-30T12:00", tz="UTC")
ADDRESS = "memory://bucket/quay"


@pytest.fixture(autouse=True)
def empty_memory():
    MemoryFileSystem.store.clear()
    yield
    MemoryFileSystem.store.clear()


@pytest.fixture
def station(tmp_path):
    made = s.make(tmp_path / "station")
    return replace(made, copying=Copying(to=ADDRESS, people=NAMES))


def with_people(station, people, to=ADDRESS):
    return replace(station, copying=Copying(to=to, people=people))


def fills(n: int, operator: str = "Ada Brook") -> pd.DataFrame:
    numbers = range(n)
    return pd.DataFrame(
        {
            "fill_id": [f"F{i}" for i in numbers],
            "unit_id": "C1",
            "operator": operator,
            "analysed_by": operator,
            "member_id": "M1",
            "stop_pressure_bar": [200.0 + i for i in numbers],
        }
    )


def dives(member: str, n: int = 2) -> pd.DataFrame:
    return pd.DataFrame({"dive_id": [f"D{i}" for i in range(n)], "member_id": member, "rmv_l_min": 15.0})


def publish(station, hours: float, fill_rows: pd.DataFrame, members: tuple[str, ...] = ("M1", "M2")) -> Manifest:
    """A snapshot so many hours after noon, with what is the same as before taken over, as a run makes it."""
    at = NOON + pd.Timedelta(hours=hours)
    try:
        before = read_manifest(station.published)
    except NothingPublished:
        before = None
    made = Publisher(station.published, before, at)
    made.write("fill_quality", "all", fill_rows, "f")
    made.write("people", "all", pd.DataFrame({"member_id": ["M1"], "display_name": ["Ines Vard"]}), "p")
    made.write("rejects", "all", pd.DataFrame({"file": ["fills.csv"], "message": ["Ines Vard stands there"]}), "r")
    for member in members:
        if made.unchanged("dive_consumption", member, member):
            made.link("dive_consumption", member)
        else:
            made.write("dive_consumption", member, dives(member), member)
    made.write("member_logins", "all", pd.DataFrame({"member_id": ["M1"], "email_hash": ["x"]}), "l")
    said = samples.SamplesThatCount(lake(station), (("M1", "D1", None),))
    write_durably(made.folder / samples.FILE, said.to_json())
    return made.finish(Manifest(made.name, 1, "2031-06-30", at.isoformat(), "x", {"name": "Quay"}, "r1"))


def lake(station) -> tuple[samples.SamplePart, ...]:
    """A part of each member's samples; M1 has a later one, which wins but for what was revised since."""
    parts = []
    for n, (member, depth) in enumerate((("M1", 10.0), ("M1", 11.0), ("M2", 20.0))):
        path = station.lake / f"{n}.parquet"
        path.parent.mkdir(exist_ok=True)
        rows = pd.DataFrame({"member_id": member, "dive_id": ["D0", "D1", "D2"], "t_s": 0.0, "depth_m": depth})
        rows = conform(rows, SOURCES["dive_samples"].fields.values())
        if n == 0:
            rows.loc[2, "revised_at"] = pd.Timestamp("2031-06-20", tz="UTC")
        parts.append(samples.SamplePart(member, path.name, f"2031-06-0{n + 1}T00:00:00+00:00", write_part(rows, path)))
    return tuple(parts)


def copy(station, hours: float = 0.0, **how):
    return copy_out(station, lambda: NOON + pd.Timedelta(hours=hours), **how)


def there(address: str = ADDRESS) -> dict[str, bytes]:
    """All that lies at the address."""
    place = Place(address)
    names = [n for folder in ("parts", "copies") for n in place.sizes(folder)]
    return place.read_many([*names, "current"])


# --- what is read elsewhere -----------------------------------------------------------------------
@pytest.mark.parametrize("kind", ["memory", "file"])
def test_what_is_read_at_the_address_is_what_was_published(station, tmp_path, kind):
    to = ADDRESS if kind == "memory" else f"file://{tmp_path / 'elsewhere'}"
    station = with_people(station, NAMES, to)
    publish(station, 0, fills(3))
    done = copy(station)
    assert not done.wrong and done.files > 5 and f"Copied to {to}" in done.lines()[0]
    here, far = open_station(station.folder), open_station(to)
    assert set(far.tables) == set(here.tables) - set(NEVER)
    for name in far.tables:
        pd.testing.assert_frame_equal(far.table(name), here.table(name))
    asked = "SELECT f.fill_id, count(*) AS n FROM fill_quality f, dive_consumption d GROUP BY 1 ORDER BY 1"
    pd.testing.assert_frame_equal(far.query(asked), here.query(asked))
    joined = "SELECT p.display_name, count(*) AS n FROM People p JOIN dive_consumption d USING (member_id) GROUP BY 1"
    assert far.query(joined).values.tolist() == here.query(joined).values.tolist() == [["Ines Vard", 2]]
    assert len(far.query("SHOW TABLES")) == len(far.tables)
    pd.testing.assert_frame_equal(far.samples(), here.samples())
    of_one = far.samples("M1")  # the later part wins, D1 is withdrawn, D2 was revised later still
    assert of_one[["dive_id", "depth_m"]].values.tolist() == [["D0", 11.0], ["D2", 10.0]]
    assert far.as_of_on == here.as_of_on and far.copied_at == NOON


def test_only_what_is_new_is_sent(station):
    publish(station, 0, fills(3))
    first = copy(station)
    before = there()
    publish(station, 1, fills(4))
    second = copy(station, 1)
    new = set(there()) - set(before)
    assert second.files == len(new) == 2 and first.files == len(before) - 1  # a part of fills, and the listing
    assert len(open_station(ADDRESS).table("fill_quality")) == 4


def test_nothing_new_asks_nothing_of_the_address(station, monkeypatch):
    publish(station, 0, fills(1))
    copy(station)
    monkeypatch.setattr(copying, "Place", None)
    done = copy(station)
    assert not done.wrong and done.lines() == [] and done.snapshot == read_manifest(station.published).name


# --- whole or as it was ---------------------------------------------------------------------------
class Ended(BaseException):
    """The process was killed."""


@pytest.mark.parametrize("at_write", range(4))
@pytest.mark.parametrize("how", [Ended, OSError])
def test_a_copy_that_ends_half_way_changes_nothing_that_is_read_and_the_next_goes_on(
    station, monkeypatch, at_write, how
):
    monkeypatch.setattr(copying, "AT_ONCE_FILES", 1)
    publish(station, 0, fills(2))
    copy(station)
    publish(station, 1, fills(3), members=("M1", "M2", "M3"))
    written, real = [], MemoryFileSystem.pipe_file

    def fails(self, path, value, **more):
        if len(written) == at_write:
            real(self, path, value[: len(value) // 2]) if "parts" in path else None
            raise how("gone")
        written.append(path)
        real(self, path, value, **more)

    with monkeypatch.context() as patch:
        patch.setattr(MemoryFileSystem, "pipe_file", fails)
        if how is Ended:
            with pytest.raises(Ended):
                copy(station, 1)
        else:
            done = copy(station, 1)
            assert "gone" in done.wrong and done.late_since.startswith("2031-06-30T13")
            assert "behind since 2031-06-30 13:00 UTC" in done.lines()[0]
            assert "is of 2031-06-30 12:00 UTC" in done.lines()[0]
    assert len(open_station(ADDRESS).table("fill_quality")) == 2
    assert set(open_station(ADDRESS).table("dive_consumption")["member_id"]) == {"M1", "M2"}
    done = copy(station, 2)
    assert not done.wrong and done.files == 3 - min(at_write, 2)  # two parts, a listing; then the pointer
    assert len(open_station(ADDRESS).table("fill_quality")) == 3
    assert "M3" in set(open_station(ADDRESS).table("dive_consumption")["member_id"])
    assert read_note(station.published).late_since == ""


@pytest.mark.parametrize("at_write", range(3))
def test_the_very_first_copy_may_end_half_way_too(station, monkeypatch, at_write):
    monkeypatch.setattr(copying, "AT_ONCE_FILES", 1)
    publish(station, 0, fills(2))
    written, real = [], MemoryFileSystem.pipe_file

    def ends(self, path, value, **more):
        written.append(path)
        if path.endswith(("current", "json", "parquet")[at_write]) and len(written) > 3:
            real(self, path, value, **more)
            raise Ended
        real(self, path, value, **more)

    with monkeypatch.context() as patch, pytest.raises(Ended):
        patch.setattr(MemoryFileSystem, "pipe_file", ends)
        copy(station)
    done = copy(station, 1)
    assert not done.wrong and len(open_station(ADDRESS).table("fill_quality")) == 2
    listed = [n for n in there() if n.startswith("copies")]
    assert len(listed) == 1  # what the one that died had listed is gone


def test_in_a_folder_a_file_is_there_whole_or_as_it_was(station, tmp_path, monkeypatch):
    to = f"file://{tmp_path / 'elsewhere'}"
    station = with_people(station, NAMES, to)
    publish(station, 0, fills(2))
    copy(station)
    publish(station, 1, fills(3))
    real = LocalFileSystem.pipe_file

    def half(self, path, value, **more):
        real(self, path, value[: len(value) // 2], **more)
        if "current" in path:
            raise Ended

    with monkeypatch.context() as patch, pytest.raises(Ended):
        patch.setattr(LocalFileSystem, "pipe_file", half)
        copy(station, 1)
    assert len(open_station(to).table("fill_quality")) == 2
    assert not copy(station, 2).wrong
    assert len(open_station(to).table("fill_quality")) == 3
    assert not [path for path in (tmp_path / "elsewhere").rglob("*.new")]


@pytest.mark.parametrize("cleared", [True, False])
def test_what_a_run_publishes_while_another_copies_is_taken_along(station, monkeypatch, cleared):
    publish(station, 0, fills(2))
    real, later = copying._listing, [lambda: publish(station, 1, fills(5))]

    def listing(*given):
        made = real(*given)
        if later:
            later.pop()()
            assert copy(station).at_work  # it does not wait
            if cleared:  # as a run clears old ones away
                shutil.rmtree(station.published / made.snapshot)
        return made

    monkeypatch.setattr(copying, "_listing", listing)
    done = copy(station)
    assert not done.wrong and len(open_station(ADDRESS).table("fill_quality")) == 5
    assert read_note(station.published).snapshot == read_manifest(station.published).name


def test_who_must_wait_for_another_copy_does(station):
    publish(station, 0, fills(2))
    with held(station.published / copying.LOCK):
        assert copy(station).at_work and copy(station, wait_s=0.3).at_work
        waiting = []
        thread = threading.Thread(target=lambda: waiting.append(copy(station, wait_s=30)))
        thread.start()
        time.sleep(0.3)
    thread.join()
    assert not waiting[0].at_work and len(open_station(ADDRESS).table("fill_quality")) == 2


def test_a_snapshot_of_an_earlier_version_has_no_list_of_samples_and_a_damaged_one_is_said(station):
    made = publish(station, 0, fills(1))
    listed = station.published / made.name / samples.FILE
    kept = listed.read_text()
    listed.write_text(kept.replace("M1", "M9", 1))
    assert "samples.json" in copy(station).wrong
    listed.unlink()
    assert not copy(station).wrong
    for station_or_copy in (open_station(ADDRESS), open_station(station.folder)):
        with pytest.raises(NothingPublished, match="does not say which samples count"):
            station_or_copy.samples()


def test_a_listing_that_leads_elsewhere_is_not_followed(station):
    publish(station, 0, fills(1))
    copy(station)
    made = open_station(ADDRESS)._copy
    made.tables["people"] = [replace(made.tables["people"][0], sha256="../../secret")]
    Place(ADDRESS).write(copied.copy_file(made.name), made.to_json().encode())
    Place(ADDRESS).write("current", made.name.encode())
    with pytest.raises(SnapshotDamaged):
        open_station(ADDRESS)


def test_a_part_of_an_earlier_version_is_copied_with_the_columns_it_has(station):
    made = publish(station, 0, fills(1))
    part = made.tables["fill_quality"]["all"]
    path = station.published / made.name / "fill_quality" / part.file
    pd.DataFrame({"fill_id": ["F0"], "operator": ["Ada Brook"]}).to_parquet(path)
    part.sha256 = ""
    write_durably(station.published / made.name / "manifest.json", made.to_json())
    assert not copy(with_people(station, NOBODY)).wrong
    assert open_station(ADDRESS).table("fill_quality")["fill_id"].tolist() == ["F0"]
    assert b"Ada Brook" not in b"".join(unpacked(there()))
    path.write_bytes(b"rubbish")
    Place(ADDRESS).remove(["current"])
    assert "fill_quality/all.parquet is damaged" in copy(with_people(station, NOBODY), 1, thorough=True).wrong


def test_a_part_that_is_damaged_here_is_not_copied(station):
    made = publish(station, 0, fills(1))
    (station.published / made.name / "people" / made.tables["people"]["all"].file).write_bytes(b"rubbish")
    assert "people/all.parquet" in copy(station).wrong
    with pytest.raises(NothingPublished, match="No copy lies"):
        open_station(ADDRESS)


def test_who_opens_it_while_a_newer_copy_takes_its_place_gets_that_one(station, monkeypatch):
    publish(station, 0, fills(1))
    copy(station)
    real, later = copied.read_copy, [lambda: copy(with_people(station, IDS), 1)]  # which leaves nothing of the first

    def read(place, name):
        if later:
            later.pop()()
        return real(place, name)

    monkeypatch.setattr(copied, "read_copy", read)
    far = open_station(ADDRESS)
    assert far.copied_at == NOON + pd.Timedelta(hours=1) and "people" not in far.tables


def test_what_a_reader_has_open_stays_while_newer_ones_come_and_goes_when_it_is_old(station):
    publish(station, 0, fills(1))
    copy(station)
    held = open_station(ADDRESS)
    for hours in (1, 2):
        publish(station, hours, fills(1 + hours))
        copy(station, hours)
    assert len(held.table("fill_quality")) == 1
    for hours in (5, 6, 7):
        publish(station, hours, fills(1 + hours))
        copy(station, hours)
    with pytest.raises(SnapshotDamaged, match="Open the station again"):
        held.table("fill_quality")
    listed = [n for n in there() if n.startswith("copies")]  # as here: that of now, younger than an hour, two before
    named = {p.place for n in listed for p in copied.Copy.from_json(there()[n].decode()).parts}
    assert len(listed) == 4 and named == {n for n in there() if n.startswith("parts")}


def test_a_missing_part_is_sent_again_with_the_next_and_an_altered_one_by_repair(station):
    publish(station, 0, fills(1))
    copy(station)
    far = open_station(ADDRESS)
    parts = {t: of[0].place for t, of in far._copy.tables.items()}
    place = Place(ADDRESS)
    place.write(parts["fill_quality"], there()[parts["people"]])  # it reads, and is another
    place.remove([parts["people"]])
    altered = bytearray(there()[parts["dive_consumption"]])
    altered[len(altered) // 2] ^= 1  # of the same size
    place.write(parts["dive_consumption"], bytes(altered))
    for table in ("people", "fill_quality", "dive_consumption"):
        with pytest.raises(SnapshotDamaged, match="doctor --repair"):
            far.table(table)
    assert copy(station, thorough=True).files == 3
    assert len(far.table("dive_consumption")) == 4 and len(far.table("people")) == len(far.table("fill_quality")) == 1
    place.remove([parts["people"]])
    publish(station, 1, fills(2))
    assert copy(station, 1).files == 3  # the part of people, that of fills and the listing
    assert len(open_station(ADDRESS).table("people")) == 1


def test_a_damaged_listing_or_pointer_of_ours_is_written_anew(station):
    publish(station, 0, fills(1))
    copy(station)
    for what in ("current", copied.copy_file(read_note(station.published).name)):
        Place(ADDRESS).write(what, b"rubbish")
        with pytest.raises(SnapshotDamaged):
            open_station(ADDRESS)
        assert not copy(station, thorough=True).wrong
        assert len(open_station(ADDRESS).table("fill_quality")) == 1


# --- whose it is ----------------------------------------------------------------------------------
def test_another_stations_copy_is_not_replaced(station, tmp_path):
    other = replace(s.make(tmp_path / "other"), copying=station.copying)
    for one in (station, other):
        publish(one, 0, fills(1))
    copy(station)
    before = there()
    assert "another station (Quay)" in copy(other).wrong
    assert there() == before
    (station.published / NOTE).unlink()  # a note that is lost is said, and what to do
    assert "delete the file current there" in copy(station).wrong
    Place(ADDRESS).remove(["current"])
    assert not copy(station, 1).wrong


def test_a_newer_form_is_neither_read_nor_replaced(station):
    publish(station, 0, fills(1))
    copy(station)
    name = read_note(station.published).name
    said = json.loads(there()[copied.copy_file(name)])
    Place(ADDRESS).write(copied.copy_file(name), json.dumps(said | {"form": copied.FORM + 1}).encode())
    before = there()
    with pytest.raises(SnapshotNewer, match="newer coldfill"):
        open_station(ADDRESS)
    publish(station, 1, fills(2))
    assert "newer coldfill" in copy(station, 1).wrong
    assert there() == before


def test_an_older_snapshot_never_takes_the_place_of_a_later_one(station):
    publish(station, 0, fills(1))
    copy(station)
    shutil.copytree(station.folder, station.folder.with_name("saved"))
    publish(station, 1, fills(2))
    copy(station, 1)
    restored = replace(station, folder=station.folder.with_name("saved"))
    assert "later snapshot" in copy(restored, thorough=True).wrong
    assert len(open_station(ADDRESS).table("fill_quality")) == 2
    publish(restored, 2, fills(5))
    assert not copy(restored, 2).wrong
    assert len(open_station(ADDRESS).table("fill_quality")) == 5


def test_what_nobody_here_wrote_is_not_replaced(station):
    publish(station, 0, fills(1))
    Place(ADDRESS).write("current", b"rubbish")
    assert "nothing here says that this station wrote it" in copy(station).wrong
    assert there() == {"current": b"rubbish"}


def test_what_is_there_without_a_listing_is_used_and_what_no_copy_has_is_removed(station):
    publish(station, 0, fills(3))
    station = with_people(station, IDS)  # parts that lack columns are made anew to be compared
    copy(station)
    place = Place(ADDRESS)
    place.remove(["current"])
    place.write("parts/ab/of-a-copy-that-died.parquet", b"rubbish")
    assert copy(station, 1, thorough=True).files == 1
    assert "parts/ab/of-a-copy-that-died.parquet" not in there()


# --- people ---------------------------------------------------------------------------------------
def test_each_table_is_granted_once_and_no_table_loses_its_key():
    granted = [t for tables in ADDED.values() for t in tables]
    assert sorted([*granted, *NEVER]) == sorted(t.name for t in TABLES.values() if not t.internal)
    for people in CHOICES:
        for table, columns in copied_columns(people).items():
            assert not set(columns) & set(TABLES[table].key), (people, table)


def test_of_nobody_is_copied_what_a_phone_without_sign_in_may_see_and_what_names_no_member():
    seen = {t for t in TABLES if access.GRANTS.get(t, {}).get(access.LOCAL_NETWORK)}
    tables = copied_columns(NOBODY)
    assert set(tables) - seen == {"air_quality", "compressor_health", "recall"}
    for table, left_out in tables.items():
        assert not (set(TABLES[table].fields) - set(left_out)) & set(access.NAMES), table


def test_with_ids_no_column_holds_what_people_wrote():
    written = {"operator", "analysed_by", "released_by", "display_name", "tank_ref", "source_ref"}
    for table, left_out in copied_columns(IDS).items():
        assert not (set(TABLES[table].fields) - set(left_out)) & written, table


def test_nothing_of_people_is_copied_unless_the_settings_say_so(station):
    publish(station, 0, fills(3))
    assert Copying(to=ADDRESS).people == NOBODY
    copy(with_people(station, NOBODY))
    content = b"".join(unpacked(there()))
    for secret in (b"Ada Brook", b"Ines Vard", b"M1", b"D0"):
        assert secret not in content, secret
    far = open_station(ADDRESS)
    assert "operator" not in far.table("fill_quality").columns and "stop_pressure_bar" in far.table("fill_quality")
    with pytest.raises(KeyError, match="tells 'nobody' of people"):
        far.table("dive_consumption")
    with pytest.raises(KeyError, match="no column operator"):
        far.table("fill_quality", ["operator"])
    with pytest.raises(NothingPublished, match="'ids' or 'names'"):
        far.samples()


def test_ids_bring_dives_without_names_and_going_back_leaves_nothing_of_them(station):
    publish(station, 0, fills(3))
    copy(with_people(station, IDS))
    far = open_station(ADDRESS)
    content = b"".join(unpacked(there()))
    assert b"Ada Brook" not in content and b"Ines Vard" not in content and b"M1" in content
    assert set(far.table("dive_consumption")["member_id"]) == {"M1", "M2"} and len(far.samples())
    assert "member_id" in far.table("fill_quality") and "operator" not in far.table("fill_quality")
    copy(with_people(station, NOBODY), 1)
    assert b"M1" not in b"".join(unpacked(there()))


def unpacked(files: dict[str, bytes]) -> list[bytes]:
    """Contents as text: Parquet packs them."""
    import io

    import pyarrow.parquet as pq

    return [
        pq.read_table(io.BytesIO(data)).to_pandas().to_csv().encode() + str(pq.read_schema(io.BytesIO(data))).encode()
        if name.endswith(".parquet")
        else data
        for name, data in files.items()
    ]


def test_once_somebody_is_forgotten_nothing_older_stays_also_when_that_takes_several_tries(station, monkeypatch):
    publish(station, 0, fills(2, "Ines Vard"))
    copy(station)
    clear_later(station)
    copy(station, 1)  # another run, before the forgetting is done
    assert (station.published / CLEAR).exists()
    made = publish(station, 2, fills(2, "former-member-x"))
    clear_from(station, made.name)
    with monkeypatch.context() as patch:
        patch.setattr(MemoryFileSystem, "rm_file", lambda *_: (_ for _ in ()).throw(OSError("no")))
        patch.setattr(MemoryFileSystem, "rm", lambda *_: (_ for _ in ()).throw(OSError("no")))
        assert copy(station, 2).wrong
    assert (station.published / CLEAR).exists()
    assert not copy(station, 3).wrong
    assert not (station.published / CLEAR).exists()
    operators = [c for c in unpacked(there()) if b"operator" in c]
    assert operators and not any(b"Ines Vard" in c for c in operators)


def test_what_was_copied_before_the_forgetting_was_done_does_not_count_as_cleared(station):
    publish(station, 0, fills(2, "Ines Vard"))
    copy(station)
    clear_later(station)
    made = publish(station, 2, fills(2, "former-member-x"))
    copy(station, 2)
    clear_from(station, made.name)
    assert any(b"Ines Vard" in c for c in unpacked(there()) if b"operator" in c)
    assert not copy(station, 3).wrong and not (station.published / CLEAR).exists()
    assert not any(b"Ines Vard" in c for c in unpacked(there()) if b"operator" in c)


def test_an_address_that_was_left_is_remembered_until_its_copy_is_gone(station):
    publish(station, 0, fills(1))
    copy(station)
    moved = with_people(station, NAMES, "memory://bucket/new")
    assert ADDRESS in copy(moved, 1).lines()[0]
    assert list(left_at(read_note(station.published).former)) == [ADDRESS]
    none = replace(station, copying=Copying())
    assert "memory://bucket/new" in copy(none, 2).lines()[0]
    assert copy(none, 2) is None
    assert list(left_at(read_note(station.published).former)) == [ADDRESS, "memory://bucket/new"]
    place = Place(ADDRESS)
    place.remove(["current"])  # its parts lie there yet
    assert len(left_at(read_note(station.published).former)) == 2
    place.remove([*place.sizes("parts"), *place.sizes("copies")])
    assert list(left_at(read_note(station.published).former)) == ["memory://bucket/new"]


# --- addresses ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("file://{here}/no-such-place/at/all", "plug its drive in"),
        ("s3://bucket/quay", "pip install 'coldfill[address]'"),
        ("odd://bucket/quay", "no library knows this kind of address"),
    ],
)
def test_an_address_that_cannot_be_used_says_why(station, tmp_path, monkeypatch, address, says):
    import fsspec

    if address.startswith("s3"):
        monkeypatch.setattr(fsspec.core, "get_filesystem_class", lambda _: (_ for _ in ()).throw(ImportError("s3fs")))
        monkeypatch.setattr(fsspec.core, "url_to_fs", lambda *_, **__: (_ for _ in ()).throw(ImportError("s3fs")))
    publish(station, 0, fills(1))
    done = copy(with_people(station, NAMES, address.format(here=tmp_path)))
    assert says in done.wrong and "No copy lies there yet" in done.lines()[0]


def test_a_folder_inside_the_station_is_refused(station):
    publish(station, 0, fills(1))
    assert "own folder" in copy(with_people(station, NAMES, f"file://{station.folder}/published/x")).wrong


def test_an_address_without_a_copy_says_so():
    with pytest.raises(NothingPublished, match=r"No copy lies at memory://empty/x.*\[copy\]"):
        open_station("memory://empty/x")


def test_a_library_without_keys_is_a_sentence(monkeypatch):
    class NoCredentialsError(Exception):
        pass

    place = Place(ADDRESS)
    monkeypatch.setattr(place._system, "cat_file", lambda *_: (_ for _ in ()).throw(NoCredentialsError("none")))
    with pytest.raises(AddressTrouble, match="does not take the keys"):
        place.read("current")
