"""Originals that cannot be looked into when somebody is forgotten: listed until a person looks."""

import io
import zipfile

import openpyxl
import pytest
import small_station as s
from typer.testing import CliRunner

from pipelines.cli import app
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.redact.workbook import not_looked_into
from pipelines.refresh.examine import SOUND, WRONG, examine
from pipelines.refresh.forget import NotForgotten, look_done
from pipelines.station import clock
from pipelines.warehouse.person import NobodyKnown


def _book(rows: list[dict[str, str]], **parts: bytes) -> bytes:
    """A workbook with further parts that are no text of its sheet."""
    book, out = openpyxl.Workbook(), io.BytesIO()
    for row in (rows[0], *(r.values() for r in rows)):
        book.active.append(list(row))
    book.save(out)
    with zipfile.ZipFile(out, "a") as more:
        for name, data in parts.items():
            more.writestr(name.replace("__", "/").replace("_", "."), data)
    return out.getvalue()


def _forget(station, *words: str) -> str:
    done = CliRunner().invoke(app, ["forget", *words, "--yes", "--station", str(station.folder)])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.stdout


def _kept(station):
    return next(f for f in reversed(examine(station, clock.now())) if f.part == "keep")


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    made = s.make(tmp_path_factory.mktemp("unseen"))
    s.drop(made, "members.csv", s.MEMBERS)
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.xlsx", _book([s.fill(1, operator="Ines Vard")], xl__media__photo_png=b"\x89PNG"))
    s.drop(made, "fills-plain.xlsx", _book([s.fill(2)], xl__printerSettings1_bin="A printer".encode("utf-16-le")))
    s.drop(made, "fills-torn.xlsx", _book([s.fill(3)])[:900])
    s.run(made)
    return made


def test_each_is_named_with_its_place_and_listed_until_a_person_has_looked(station):
    said = _forget(station, "M1")
    lines = [line for line in said.splitlines() if "coldfill cannot read" in line]
    assert len(lines) == 2 and "fills-plain.xlsx" not in "".join(lines)
    for line, file, why in zip(
        lines, ("fills-torn.xlsx", "fills.xlsx"), ("cannot read it", "pictures in it"), strict=True
    ):
        assert f"inbox/{file} and archive/" in line and why in line
    found = _kept(station)
    assert found.state == WRONG and "inbox/fills.xlsx" in found.says and "--looked-at FILE" in found.says
    with pytest.raises(NotForgotten, match="none of the originals"):
        look_done(station, "M1", ("fills-plain.xlsx",))
    with pytest.raises(NobodyKnown):
        look_done(station, "M2", ("fills.xlsx",))

    said = _forget(station, "M1", "--looked-at", "inbox/fills.xlsx")
    assert "fills-torn.xlsx" in said and "inbox/fills.xlsx" not in said
    _forget(station, "M1", "--remove", "fills-torn.xlsx")
    assert _kept(station).state == SOUND
    assert not (station.inbox / "fills-torn.xlsx").exists() and len(list(station.archive.glob("*.xlsx"))) == 2
    assert (
        set(s.stored(station)["fills"]["fill_id"]) == {"F1", "F2"} and "fills-torn.xlsx" not in s.files(station).index
    )
    assert not s.run(station).published
    # who is forgotten next may stand in the picture that was looked at for somebody else
    assert "inbox/fills.xlsx" in _forget(station, "M2") and _kept(station).state == WRONG
    for path in (
        station.inbox / "fills.xlsx",
        *station.archive.glob(f"{Forgotten(station.archive).unseen[0].sha256}*"),
    ):
        path.unlink()
    assert _kept(station).state == SOUND  # what is gone need not be looked at; what is missing stands elsewhere


def test_a_part_that_is_no_text_is_listed_where_it_may_tell_of_them(tmp_path):
    people = Forgotten(tmp_path)
    named = {"names": ["Ines Vard"], "addresses": [], "aliases": [], "others": [], "means_more": False}
    people.add("M1", on="2026-03-31", **named)
    parts = {"xl__printerSettings1_bin": "Ines Vard's printer".encode("utf-16-le"), "xl__vbaProject_bin": b"\x00"}
    found = not_looked_into(_book([s.fill(1)], **parts, xl__embeddings__a_docx=b"PK"), people)
    assert found == ("embedded files", "macros", "the part printerSettings1.bin")
    assert not_looked_into(_book([s.fill(1)]), people) == ()
