"""A person who is forgotten is in no byte of the station any more; the fleet and all others stay as they were."""

import csv
import hashlib
import io
import json
import os
import re
import shutil
import zipfile
from pathlib import Path
from unittest import mock

import duckdb
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest
import small_station as s
import uddf_files as u

from pipelines.cli.console import words_for
from pipelines.intake.file_layout import layout_of
from pipelines.intake.forgotten import KEY, LIST, Forgotten, ListUnreadable
from pipelines.intake.rebuild import prepare
from pipelines.intake.redact.file import place_of, redact_file
from pipelines.intake.sweep import sweep
from pipelines.refresh.forget import forget
from pipelines.refresh.run import run_locked
from pipelines.station.backup import BACKUPS, write_backup
from pipelines.station.clock import now
from pipelines.station.settings import Station
from pipelines.warehouse import person
from pipelines.warehouse.person import NobodyKnown
from schemas.tables import TABLES

MEMBER, NAME, MAIL, ALIAS = "M1", "Ines Vard", "ines@quay.example", "owner-77"
#: M12 and M1-B hold the id, Ines Varden the name; none of them may change
OTHERS = [
    {"member_id": "M2", "display_name": "Jon Alder", "email": "jon@quay.example"},
    {"member_id": "M12", "display_name": "Ines Varden", "email": "xines@quay.example"},
    {"member_id": "M1-B", "display_name": "Bo Vard", "email": "bo@quay.example"},
]
SECRETS = (NAME, MAIL, ALIAS, "+44 70", "hers alone", "Quay Road")


def _book(rows: list[dict[str, str]]) -> bytes:
    """A workbook as people keep one: a second sheet, a note, its author."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append(list(row.values()))
    sheet.oddHeader.center.text, sheet.evenFooter.left.text = NAME, f"Filled by {NAME}"
    sheet.oddFooter.right.text, sheet.oddFooter.right.color, sheet.oddFooter.right.size = NAME, "336699", 12
    choice = openpyxl.worksheet.datavalidation.DataValidation(type="list", formula1=f'"{NAME},Jon Alder"')
    choice.add("Z9")
    sheet.add_data_validation(choice)
    sheet["A2"].comment = openpyxl.comments.Comment(f"asked {NAME}", NAME)
    book.create_sheet("who").append([MAIL, "kept by", NAME])
    book.properties.creator = NAME
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    """Everything in which a person can stand: shared and own files, tables, workbook, UDDF, entries, file names."""
    made = s.make(tmp_path_factory.mktemp("forget") / "station")
    made = s.with_settings(
        made,
        f'[roles]\ndiver = ["{MAIL}", "jon@quay.example"]\n\n[layouts.hers]\nsource = "fills"\n'
        f'files = ["log-{MEMBER}*"]\n[layouts.hers.headers]\nstop_pressure_bar = "stop"',
    )
    hers = {
        "member_id": MEMBER,
        "display_name": NAME,
        "email": MAIL,
        "joined_on": "2020-01-01",
        "mix_qualification": "air",
        "phone": "+44 70",
    }
    s.drop(made, "members.csv", [hers, *OTHERS])
    s.drop(made, "cylinders.csv", [*s.CYLINDERS, s.CYLINDERS[0] | {"cylinder_id": "M1-D12", "owner_id": MEMBER}])
    s.drop(
        made,
        "inspections.csv",
        [
            {
                "cylinder_id": "C1",
                "inspected_on": "2026-01-05",
                "kind": "visual",
                "result": "pass",
                "inspector": NAME,
                "note": f"{MEMBER} saw a dent; ask {MAIL}, not M12 or M1-B",
            }
        ],
    )
    s.drop(
        made,
        "fills.csv",
        [
            s.fill(1, member_id=MEMBER, operator="ines  vard", target_o2_pct="32", analysed_o2_pct="32"),
            s.fill(2, member_id="M2", operator=NAME, analysed_by="Vard, Ines"),
            s.fill(3, member_id="M12", operator="Jon Alder"),
            s.fill(
                4,
                member_id="M1-B",
                operator=f"{NAME} & Jon Alder",
                stop_pressure_bar="228",
            ),
            s.fill(5, fill_id="F-M1-5", member_id=MEMBER, ambient_c="warm"),
        ],
    )
    s.drop(made, f"log-{MEMBER}.csv", s.text([s.fill(6, member_id="M2")]).replace("stop_pressure_bar", "stop"))
    s.drop(
        made,
        "releases.csv",
        [{"fill_id": "F1", "released_at": "2026-03-01 12:00", "released_by": NAME, "reason": f"{NAME} will drain it"}],
    )
    s.drop(
        made,
        "links.csv",
        [
            {"source_ref": ALIAS, "kind": "member", "target_id": MEMBER},
            {"source_ref": "t1", "kind": "cylinder", "target_id": "C1"},
        ],
    )
    s.drop(
        made,
        "kits.xlsx",
        _book(
            [
                {"member_id": MEMBER, "valid_from": "2025-01-01", "ballast_kg": "4", "size": "hers alone"},
                {"member_id": "M2", "valid_from": "2025-01-01", "ballast_kg": "6", "size": "his"},
            ]
        ),
    )
    s.drop(made, f"dives/{MEMBER}/dives.csv", [s.dive(2), s.dive(8)])
    start = "<datetime>2026-03-{:02d}T10:00:00Z</datetime>"
    hers = u.dive(
        before=f'<link ref="{ALIAS}"/>', after="<notes><para>hers alone</para></notes>", start=start.format(20)
    )
    about = (
        "<personal><firstname>Ines</firstname><lastname>Vard</lastname></personal>"
        "<address><street>Quay Road</street></address></owner>"
    )
    s.drop(made, "ines.uddf", u.document(hers, owner=ALIAS).replace("</owner>", about))
    s.drop(made, "dives/M2/jon.uddf", u.document(u.dive(start=start.format(21)), owner="jon"))
    s.drop(made, f"dives/{MEMBER}/picture.jpg", b"\xff\xd8\xff\0 of her")
    log = made.inbox / f"log-{MEMBER}.csv"
    fills = hashlib.sha256((made.inbox / "fills.csv").read_bytes()).hexdigest()
    problem = hashlib.md5(f"{fills}|5|ambient_c|not_a_number".encode()).hexdigest()[:10]
    s.drop(
        made,
        "withdrawals.csv",
        [
            {
                "source": source,
                "key": key,
                "withdrawn_at": "2026-03-21 10:00",
                "withdrawn_by": NAME,
                "reason": "not hers",
            }
            for source, key in (
                ("dives", f"{MEMBER} · D8"),
                ("files", hashlib.sha256(log.read_bytes()).hexdigest()[:12]),
                ("problems", problem),
            )
        ],
    )
    s.run(made)
    (made.reports / "season.html").write_text(f"<p>{NAME}</p>", encoding="utf-8")
    write_backup(made.folder, made.folder / BACKUPS / "saved.zip", now())
    return made


@pytest.fixture(scope="module")
def after(before, tmp_path_factory):
    folder = tmp_path_factory.mktemp("forgotten") / "station"
    shutil.copytree(before.folder, folder)
    station = s.load_station(folder)
    chosen = mock.patch("pipelines.intake.forgotten.secrets.choice", lambda letters: letters[0])  # computed once
    with chosen, mock.patch.object(person, "take_over", side_effect=OSError("killed")), pytest.raises(OSError):
        forget(station, MEMBER, run_locked, do=True)
    assert Forgotten(station.archive).unfinished and _found(folder)
    done = forget(s.load_station(folder), MEMBER, run_locked, do=True)
    return s.load_station(folder), done


@pytest.fixture
def copy(after, tmp_path):
    shutil.copytree(after[0].folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


def _texts(folder: Path):
    """Everything a station holds as text, names of files and packed ones too: place and text."""
    for path in sorted(folder.rglob("*")):
        yield path.name, path.relative_to(folder).as_posix()
        data = path.read_bytes() if path.is_file() else b""
        if data.startswith(b"PK"):
            with zipfile.ZipFile(io.BytesIO(data)) as packed:
                for name in packed.namelist():
                    yield path.name, f"{name}\n{packed.read(name).decode('utf-8', 'replace')}"
        elif data.startswith(b"PAR1"):
            table = pq.read_table(path)
            yield path.name, f"{table.schema.metadata}{table.to_pylist()}"
        elif not path.name.startswith("warehouse.duckdb"):  # of packed bytes two letters may be anything
            yield path.name, data.decode("utf-8", "replace")
    with duckdb.connect(str(folder / "warehouse.duckdb")) as con:
        for (table,) in con.execute("SELECT table_name FROM information_schema.tables").fetchall():
            yield table, str(con.execute(f"SELECT * FROM {table}").fetchall())


def _found(folder: Path) -> set[tuple[str, str]]:
    """Where a secret stands; the stamp on a cylinder, ids that hold the one and names like the one are none."""
    found = set()
    for place, text in _texts(folder):
        text = re.sub(r"M1-D12|M1-B|Ines Varden|xines@", "", text, flags=re.IGNORECASE)
        found |= {(place, secret) for secret in SECRETS if secret.casefold() in text.casefold()}
        if re.search(rf"(?<![^\W_]){MEMBER}(?![^\W_])", text):
            found.add((place, MEMBER))
    # of what is packed, also in whatever it has not overwritten
    for path in folder.glob("warehouse.duckdb*"):
        raw = path.read_bytes().replace(b"Ines Varden", b"").replace(b"xines@", b"")
        found |= {(path.name, secret) for secret in SECRETS if secret.encode() in raw}
    return found


def test_no_byte_of_the_station_tells_who_it_was(before, after):
    assert {secret for _, secret in _found(before.folder)} == {*SECRETS, MEMBER}  # the search finds what is there
    assert _found(after[0].folder) == set()


def _renamed(tables: dict[str, pd.DataFrame], made_up: str) -> dict[str, pd.DataFrame]:
    """Tables with what the person was called put in place of the made-up name, sorted anew."""
    out = {}
    for name, frame in tables.items():
        text = frame.select_dtypes("str").columns
        out[name] = frame.assign(**{c: frame[c].str.replace(made_up, MEMBER, regex=False) for c in text})
        out[name] = out[name].sort_values(list(TABLES[name].key), ignore_index=True)
    return out


def test_of_a_station_that_was_run_once_what_is_published_is_made_anew(tmp_path):
    """The new warehouse has then counted as many changes as the old one had."""
    station = s.stocked(tmp_path / "quay")
    s.run(station)
    forget(station, "M1", run_locked, do=True)
    shown = s.published(station)
    assert "M1" not in set(shown["people"]["member_id"]) and "M2" in set(shown["people"]["member_id"])
    assert "M1" not in set(shown["dive_consumption"]["member_id"])
    s.drop(station, "fills-9.csv", [s.fill(9)], 12)
    result = s.run(station)
    assert result.held == "" and "F9" in set(s.published(station)["fill_quality"]["fill_id"])


def test_the_fleet_and_all_others_stay_as_they_were(before, after):
    station, done = after
    was, now_ = s.published(before), _renamed(s.published(station), done.made_up)
    assert len(was["fill_quality"]) == 4 and len(was["dive_consumption"]) == 3
    for name in was:
        written = ("operator", "analysed_by", "released_by", "reason", "display_name")
        own = [c for c in written if c in was[name] and name != "reserve_watch"]
        pd.testing.assert_frame_equal(was[name].drop(columns=own), now_[name].drop(columns=own), obj=name)
    assert list(now_["fill_quality"]["operator"]) == [MEMBER, MEMBER, "Jon Alder", f"{MEMBER} & Jon Alder"]
    assert list(now_["hold_releases"]["reason"]) == [f"{MEMBER} will drain it"]
    people = s.published(station)["people"].set_index("member_id")["display_name"]
    assert people[done.made_up] == done.made_up and people["M1-B"] == "Bo Vard" and people["M12"] == "Ines Varden"
    stored = s.ask(station, "SELECT * FROM rows_members WHERE state = 'current'").set_index("member_id")
    assert stored["mix_qualification"][done.made_up] == "air" and stored["email"]["M12"] == "xines@quay.example"
    assert stored.loc[done.made_up, ["email", "joined_on"]].isna().all()


def test_what_was_withdrawn_and_dismissed_stays_so(before, after):
    for station, member in ((before, MEMBER), (after[0], after[1].made_up)):
        out = s.ask(station, "SELECT source, key, rows_out FROM withdrawn ORDER BY source")
        assert list(out["source"]) == ["dives", "files", "problems"] and list(out["rows_out"])[:2] == [1, 1]
        assert out["key"][0] == f"{member} · D8"
        assert s.ask(station, "SELECT count(*) AS n FROM rejects WHERE dismissed_at IS NOT NULL")["n"][0] == 1
        assert set(s.ask(station, "SELECT state FROM rows_fills WHERE fill_id = 'F6'")["state"]) == {"withdrawn"}


def test_it_says_what_it_does_place_by_place(before, after):
    station, done = after
    said = "\n".join(forget(before, MEMBER, run_locked, do=False).lines())
    for words in (
        "1 backup in the station's own folders removed: saved.zip",
        "1 printed page removed",
        "picture.jpg",
        "1 earlier snapshot",
        "fills.csv (4)",
        "kits.xlsx",
        "ines.uddf",
        "M1-D12",
        "members 1",
        "cannot reach",
    ):
        assert words in said, words
    assert NAME not in said
    assert "jon@quay.example" in station.people and len(station.people) == 1
    book = openpyxl.load_workbook(station.inbox / "kits.xlsx")
    rows = list(book.worksheets[0].values)
    assert rows[1][0] == done.made_up and rows[1][2] == "4" and rows[1][3] is None and rows[2][3] == "his"


def test_a_rebuild_takes_in_the_same_rows_without_them(copy):
    rows = s.stored(copy)
    prepare(copy, now())  # as `coldfill rebuild` begins; what is computed depends on these rows alone
    s.take_in(copy)
    s.same(s.stored(copy), rows)
    assert {place for place, _ in _found(copy.folder)} == set()


def test_a_copy_that_comes_back_is_taken_without_them_and_said(before, after, copy, tmp_path):
    rows = s.ask(copy, "SELECT count(*) AS n FROM rows_members WHERE state <> 'replaced'")["n"][0]
    shutil.copy(before.inbox / "members.csv", copy.inbox / "members-old.csv")
    s.drop(copy, f"dives/{MEMBER}/dives.csv", [s.dive(9)])
    for _ in range(2):
        s.take_in(copy)
    assert ("members-old.csv", "forgotten_left_out") in s.notices(copy)
    assert s.ask(copy, "SELECT member_id, state FROM rows_dives WHERE dive_id = 'D9'").to_numpy().tolist() == [
        [after[1].made_up, "current"]
    ]
    assert s.ask(copy, "SELECT count(*) AS n FROM rows_members WHERE state <> 'replaced'")["n"][0] == rows + 4
    assert {place for place, _ in _found(copy.folder)} == {"members-old.csv", "dives.csv", MEMBER}


def _tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_originals_come_out_the_same_wherever_the_first_try_ended(before, after, tmp_path):
    """Every write, rename and removal of files fails once; the next try goes on from there."""
    folder = tmp_path / "whole"
    listed = json.loads((after[0].archive / LIST).read_text())
    listed["people"][0]["done"] = False

    def begun(folder: Path) -> Station:
        for part in ("inbox", "archive"):
            shutil.copytree(before.folder / part, folder / part)
        shutil.copy(before.folder / "station.toml", folder)
        (folder / "archive" / LIST).write_text(json.dumps(listed))
        shutil.copy(after[0].archive / KEY, folder / "archive")
        return s.load_station(folder)

    whole = begun(folder)
    sweep(whole, Forgotten(whole.archive), do=True)
    wanted = _tree(folder)
    assert {k for k in wanted if k.startswith("inbox/")} == {
        k for k in _tree(after[0].folder) if k.startswith("inbox/")
    }
    ended = 0
    for n in range(0, 500, 7):
        station = begun(tmp_path / f"try-{n}")
        calls = iter(range(10_000))

        def failing(real, calls=calls, n=n):
            def call(*given, **named):
                if next(calls) == n:
                    raise OSError("the disk is gone")
                return real(*given, **named)

            return call

        with (
            mock.patch.object(os, "replace", failing(os.replace)),
            mock.patch.object(Path, "unlink", failing(Path.unlink)),
            mock.patch.object(Path, "rmdir", failing(Path.rmdir)),
        ):
            try:
                sweep(station, Forgotten(station.archive), do=True)
            except OSError:
                ended += 1
            else:
                break
        sweep(station, Forgotten(station.archive), do=True)
        assert _tree(station.folder) == wanted, n
    assert ended >= 5


def test_a_run_finishes_what_was_begun_before_anything_else(copy):
    people = Forgotten(copy.archive)
    assert not people.unfinished
    people.people[0].done = False
    people.write()
    with mock.patch("pipelines.refresh.forget.finish", side_effect=OSError("finishing")), pytest.raises(OSError):
        s.run(copy)


def test_a_dry_run_changes_nothing_and_nobody_is_refused(before):
    tree = _tree(before.folder)
    planned = forget(before, MEMBER, run_locked, do=False)
    assert (
        planned.rows["fills"] == 2
        and planned.rows["dive_samples"] == 3
        and planned.originals.rewritten["members.csv"] == 1
    )
    assert {k: v for k, v in _tree(before.folder).items() if "duckdb" not in k} == {
        k: v for k, v in tree.items() if "duckdb" not in k
    }
    with pytest.raises(NobodyKnown, match="'m1'"):
        forget(before, "m1", run_locked, do=False)


# --- which texts mean somebody --------------------------------------------------------------------
@pytest.fixture
def people(tmp_path):
    made = Forgotten(tmp_path)
    made.add(
        "7", on="", names=["Ann Lee"], addresses=["ann@quay.example"], aliases=["x-7"], others=[], means_more=False
    )
    made.add("C1", on="", names=["Bob O'Neil"], addresses=[], aliases=[], others=[], means_more=True)
    made.add(
        "K-2", on="", names=["J. P. Sartor", "JP"], addresses=[], aliases=[], others=["K-2-b", "K-21"], means_more=False
    )
    made.write()
    return Forgotten(tmp_path)


def test_a_list_holds_no_name_and_knows_them_all_the_same(people, tmp_path):
    one, two, three = (p.made_up for p in people.people)
    said = (tmp_path / LIST).read_text()
    assert not [word for word in ("Ann", "Lee", "quay", "x-7", "C1", "Bob", "K-2", "Sartor") if word in said]
    assert (tmp_path / LIST).stat().st_mode & 0o077 == 0 == (tmp_path / KEY).stat().st_mode & 0o077
    assert people.member(" 7 ") == one and people.member("07") is None and people.text("7") == "7"
    assert people.text("fill 7 by Ann  Lee, ANN@quay.example") == f"fill 7 by {one}, {one}"
    assert people.reference("Lee, Ann") == one
    assert people.text("Annie Lee, Joann Lee, Ann Leeds") == "Annie Lee, Joann Lee, Ann Leeds"
    assert people.member("C1") == two and people.text("C1 is dented, said Bob O'Neil") == f"C1 is dented, said {two}"
    assert people.text("K-2, K-21, K-2-b, F_K-2_3 JP") == f"{three}, K-21, K-2-b, F_{three}_3 JP"
    assert people.reference("x-7") == f"{one}-1" and people.reference("7") == "7"


def test_a_list_that_cannot_be_read_stops_what_would_bring_them_back(people, tmp_path):
    (tmp_path / KEY).unlink()
    with pytest.raises(ListUnreadable, match="would come back") as raised:
        Forgotten(tmp_path)
    assert words_for(raised.value)[1] == 2


def test_a_name_that_a_new_member_bears_means_the_new_one(people, tmp_path):
    assert people.spare(["ann lee"]) and people.text("Ann Lee") == "Ann Lee"
    assert not people.spare(["Ann Lee"]) and people.member("7")


# --- tables of every kind -------------------------------------------------------------------------
def _without(people: Forgotten, folder: Path, file: str, rows: list[dict[str, str]] | bytes) -> list[dict[str, str]]:
    """Rows of a file once what is theirs has been taken out."""
    station = s.load_station(folder / "of layouts")
    path = folder / Path(file).name
    path.write_bytes(rows if isinstance(rows, bytes) else s.text(rows).encode())
    made = redact_file(path, file, layout_of(file, station), people)
    again = folder / f"again-{Path(file).name}"
    again.write_bytes(made.data)
    assert redact_file(again, file, layout_of(file, station), people).data == made.data  # it comes out the same again
    if file.endswith(".xlsx"):
        header, *values = openpyxl.load_workbook(again).worksheets[0].values
        return [dict(zip(header, ["" if v is None else str(v) for v in row], strict=True)) for row in values]
    return list(csv.DictReader(io.StringIO(made.data.decode(), newline="")))


@pytest.fixture
def layouts(tmp_path):
    s.with_settings(
        s.make(tmp_path / "of layouts"),
        '[sources.kits]\nseparator = ";"\n[sources.kits.headers]\nmember_id = "Who"\n'
        '[sources.loans.words.member_id]\n"Annie" = "7"',
    )
    return tmp_path


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_an_id_that_is_a_bare_number_is_one_in_columns_of_members_alone(people, layouts, kind):
    one = people.people[0].made_up
    rows = [s.fill(7, member_id="7", wall_c="7", operator="7"), s.fill(8, member_id="77", fill_minutes="7")]
    rows = [dict.fromkeys([*rows[0], *rows[1]], "") | row for row in rows]
    data = s.text(rows).encode()
    if kind == "xlsx":
        book = openpyxl.Workbook()
        for row in csv.reader(io.StringIO(data.decode())):
            book.active.append([int(cell) if cell.isdecimal() else cell for cell in row])
        out = io.BytesIO()
        book.save(out)
        data = out.getvalue()
    found = _without(people, layouts, f"fills.{kind}", data)
    assert [row["member_id"] for row in found] == [one, "77"]
    assert [{k: v for k, v in row.items() if k != "member_id"} for row in found] == [
        {k: v for k, v in row.items() if k != "member_id"} for row in rows
    ]


def test_a_thing_of_the_same_id_is_no_person_and_a_person_of_another_name_for_them_is(people, layouts):
    one, two, _ = (p.made_up for p in people.people)
    fills = _without(people, layouts, "fills.csv", [s.fill(3, unit_id="C1", member_id="C1", operator="C1")])
    assert [fills[0][c] for c in ("unit_id", "member_id", "operator")] == ["C1", two, two]
    loans = [{"unit_id": "C1", "member_id": who, "out_at": "2026-03-01"} for who in ("Annie", "8")]
    assert [row["member_id"] for row in _without(people, layouts, "loans.csv", loans)] == [one, "8"]
    links = [
        {"source_ref": "x-7", "kind": "member", "target_id": "7"},
        {"source_ref": "x-7-b", "kind": "cylinder", "target_id": "C1"},
    ]
    found = _without(people, layouts, "links.csv", links)
    assert [row["source_ref"] for row in found] == [f"{one}-1", "x-7-b"]
    assert [row["target_id"] for row in found] == [one, "C1"]


def test_a_folder_of_theirs_means_their_rows_unless_a_row_names_somebody_else(people, layouts):
    data = b'Who;valid_from;ballast_kg;size\r\n;2025-01-01;4;"small; hers"\r\n\r\n9;2025-01-01;5;his\r\n'
    path = layouts / "kits.csv"
    path.write_bytes(data)
    layout = layout_of("kits.csv", s.load_station(layouts / "of layouts"))
    made = redact_file(path, "dives/7/kits.csv", layout, people)
    assert made.data == data.replace(b'"small; hers"', b"")
    assert place_of("dives/7/kits-7.csv", people) == f"dives/{people.people[0].made_up}/kits-7.csv"


def test_a_row_that_cannot_be_divided_and_a_file_that_cannot_be_read_tell_no_name(people, layouts):
    text = f"{','.join(s.fill(1))}\nF1,2026,Ann Lee,x\n" + ",".join(s.fill(2).values()) + ',"never ends'
    (layouts / "fills.csv").write_text(text)
    layout = layout_of("fills.csv", s.load_station(layouts / "of layouts"))
    made = redact_file(layouts / "fills.csv", "fills.csv", layout, people).data.decode()
    assert made == text.replace("Ann Lee", people.people[0].made_up)
    (layouts / "members.xlsx").write_bytes(b"PK\x03\x04 Ann Lee")
    assert not redact_file(layouts / "members.xlsx", "members.xlsx", layout, people).looked
