"""Parts of a snapshot under the publisher: what is out is never written through."""

import os

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipelines.publish import parts as parts_of_tables
from pipelines.publish import snapshot
from pipelines.publish.snapshot import Publisher
from schemas.snapshot import Manifest, part_bytes

NOON = pd.Timestamp("2031-06-30T12:00")


def person(name: str) -> pd.DataFrame:
    return pd.DataFrame({"member_id": ["M1"], "display_name": [name]})


def test_a_part_that_was_taken_over_and_then_made_anew_leaves_the_last_snapshot_as_it_was(tmp_path):
    first = Publisher(tmp_path, None, NOON)
    first.write("people", "all", person("Ines Vard"), "a")
    previous = first.finish(Manifest(first.name, 1, "2031-06-30", NOON.isoformat(), "x", {}, "r1"))
    second = Publisher(tmp_path, previous, NOON + pd.Timedelta(hours=1))
    second.link("people", "all")
    assert second.holds("people", "all", "a") and not second.holds("people", "all", "b")
    second.write("people", "all", person("Jon Alder"), "b")
    assert second.read("people", "all")["display_name"].tolist() == ["Jon Alder"]
    assert second.read_previous("people", "all")["display_name"].tolist() == ["Ines Vard"]
    part = previous.tables["people"]["all"]
    assert part_bytes(tmp_path / previous.name / "people" / part.file, part)  # by its hash still what was written


def test_parts_are_read_one_after_the_other_with_declared_types(tmp_path):
    made = Publisher(tmp_path, None, NOON)
    made.write("people", "M1", person("Ines Vard"), "a")
    made.write("people", "M2", person("x").iloc[:0], "b")
    read = made.read("people", "M1", "M2", "M1")
    assert read["display_name"].tolist() == ["Ines Vard"] * 2
    assert read.dtypes.equals(made.read("people", "M2").dtypes)


@pytest.mark.parametrize("rows, kind", [(1, "UNCOMPRESSED"), (1_249, "UNCOMPRESSED"), (1_250, "ZSTD")])
def test_parts_of_less_than_ten_thousand_bytes_are_stored_as_they_are_and_others_compressed(tmp_path, rows, kind):
    part = parts_of_tables.write_part(tmp_path, "dive_lessons", "M1", pa.table({"vector": np.arange(float(rows))}), "")
    group = pq.ParquetFile(tmp_path / "dive_lessons" / part.file).metadata.row_group(0)
    assert (group.num_rows, group.column(0).compression) == (rows, kind)


@pytest.mark.parametrize("table", ["dive_reserve", "trend_state"])
def test_of_parts_kept_as_one_those_that_are_new_alone_are_read(tmp_path, monkeypatch, table):
    monkeypatch.setattr(snapshot, "MANY_PARTS", 2)
    read, stored = [], parts_of_tables.stored
    monkeypatch.setattr(
        parts_of_tables, "stored", lambda path, *more: read.append(path.stem[:2]) or stored(path, *more)
    )

    def of(member, *values):
        known = {"member_id": [member] * len(values), "dive_id": [f"D{n}" for n in range(len(values))]}
        return pd.DataFrame(known, dtype="str").assign(chance_before=np.array(values))

    def publish(previous, hour, parts):
        made = Publisher(tmp_path, previous, NOON + pd.Timedelta(hours=hour))
        for name, rows in parts.items():
            print_ = str(rows.to_dict())
            if made.unchanged(table, name, print_):
                made.link(table, name)
            else:
                made.write(table, name, rows, print_)
        made._written.clear()
        read.clear()
        together, asked = made.read_together(table, *parts), set(read) - {table[:2]}
        pd.testing.assert_frame_equal(together, made.read(table, *parts))
        return made.finish(Manifest(made.name, 1, "2031-06-30", NOON.isoformat(), "x", {}, "r1")), asked

    parts = {f"m{n}": of(f"m{n}", *np.arange(n % 4) / 7) for n in range(1, 8)}
    last, _ = publish(None, 0, parts)
    changes = {
        "one more row": ({"m3": of("m3", 0.1, 0.2, 0.3, 0.4)}, {"m3"}),
        "the first and the last": ({"m1": of("m1", 0.3, 0.4), "m7": of("m7", 0.5)}, {"m1", "m7"}),
        "of none": ({"m4": of("m4", 0.5)}, {"m4"}),
        "a member who is new": ({"m5x": of("m5x", 0.5)}, {"m5"}),
        "nothing": ({}, set()),
    }
    for hour, (says, (change, new)) in enumerate(changes.items(), 1):
        parts = dict(sorted((parts | change).items()))
        last, asked = publish(last, hour, parts)
        assert asked == new, says
    del parts["m2"]
    last, asked = publish(last, 10, parts)
    assert not asked
    # another kind of column decides what all parts make together
    parts["m6"] = of("m6", 1)
    _, asked = publish(last, 11, parts)
    assert asked == ({"m6"} if table == "dive_reserve" else {name for name in parts} - {"m5x"})


def test_parts_kept_as_one_are_those_of_this_snapshot_or_are_read_anew(tmp_path, monkeypatch):
    monkeypatch.setattr(snapshot, "MANY_PARTS", 2)

    def dive_codes(*flags):
        return pd.DataFrame({"member_id": "M1", "dive_id": [f"D{n}" for n in range(len(flags))], "flags": list(flags)})

    def publish(previous, hour, **parts):
        made = Publisher(tmp_path, previous, NOON + pd.Timedelta(hours=hour))
        for part, (rows, print_) in parts.items():
            if made.unchanged("dive_reserve", part, print_):
                made.link("dive_reserve", part)
            else:
                made.write("dive_reserve", part, rows, print_)
        plain, together = made.read("dive_reserve", *parts), made.read_together("dive_reserve", *parts)
        pd.testing.assert_frame_equal(plain, together)
        return made.finish(Manifest(made.name, 1, "2031-06-30", NOON.isoformat(), "x", {}, "r1")), together

    def whole(manifest):
        return tmp_path / manifest.name / snapshot.TOGETHER / manifest.tables[snapshot.TOGETHER]["dive_reserve"].file

    one, two = (dive_codes(["a", "b"], []), "a"), (dive_codes(["b"]), "b")
    first, _ = publish(None, 0, M1=one, M2=two)
    second, read = publish(first, 1, M1=one, M2=two)
    assert whole(second).stat().st_ino == whole(first).stat().st_ino and len(read) == 3
    third, read = publish(second, 2, M1=one, M2=(dive_codes(["c"]), "c"))
    assert list(read["flags"].iloc[2]) == ["c"]
    _, read = publish(third, 3, M2=(dive_codes(["c"]), "c"), M1=one)  # another order is another frame
    assert list(read["flags"].iloc[0]) == ["c"]
    whole(third).write_bytes(whole(first).read_bytes())
    _, read = publish(third, 4, M1=one, M2=(dive_codes(["c"]), "c"))
    assert list(read["flags"].iloc[2]) == ["c"]


def test_a_pointer_is_on_the_disk_before_it_is_put_in_place_and_never_written_through(tmp_path, monkeypatch):
    place, seen = tmp_path / "current.json", []
    place.write_text("old")
    flushed, replaced = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (seen.append(("flushed", place.read_text())), flushed(handle))[1])
    monkeypatch.setattr(os, "replace", lambda *to: (seen.append(("put", place.read_text())), replaced(*to))[1])
    snapshot.write_durably(place, "new")
    assert seen == [("flushed", "old"), ("put", "old")] and place.read_text() == "new"
    assert [path.name for path in tmp_path.iterdir()] == ["current.json"]


def test_a_part_that_was_written_after_its_snapshot_was_sealed_is_looked_at(tmp_path):
    made = Publisher(tmp_path, None, NOON)
    made.write("people", "all", person("Ines Vard"), "a")
    manifest = made.finish(Manifest(made.name, 1, "2031-06-30", NOON.isoformat(), "x", {}, "r1"))
    path = tmp_path / made.name / "people" / manifest.tables["people"]["all"].file
    sealed = (tmp_path / made.name / snapshot.MANIFEST).stat().st_mtime
    assert not snapshot.looks_altered(tmp_path, manifest)
    content = path.read_bytes()
    for written, later_s, altered in ((content, 60, False), (content[:-1] + b"x", 60, True), (content, -60, False)):
        path.unlink()
        path.write_bytes(written)
        os.utime(path, (sealed + later_s,) * 2)
        assert snapshot.looks_altered(tmp_path, manifest) is altered
    path.unlink()
    assert snapshot.looks_altered(tmp_path, manifest)
