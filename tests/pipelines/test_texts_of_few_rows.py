"""How texts are held in memory goes by how many rows a station has; no figure and no published byte does."""

import pandas as pd
import pytest
from small_station import SELF, dive, drop, fill, published, run, same, samples, stocked, tank

from pipelines.refresh import order
from schemas import frames
from schemas.snapshot import read_manifest
from schemas.tables import TABLES


def _after_two_runs(folder, seen: list[str]):
    """A station after its first run and one of a fill and a dive; `seen` gets how texts were held meanwhile."""
    plain = order._refresh

    def held(*given):
        seen.append(pd.get_option("mode.string_storage"))
        plain(*given)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "_refresh", held)
        station = stocked(folder)
        run(station)
        drop(station, "more.csv", [fill(9, analysed_o2_pct="21.1", operator_id="M2")], 10)
        for name, rows in (("dives", [dive(9)]), ("dive_tanks", [tank(9)]), ("dive_samples", samples(9))):
            drop(station, f"{name}-9.csv", rows, 20)
        run(station)
    return station


def test_few_rows_and_many_give_the_same_tables_to_the_byte(tmp_path, monkeypatch, kept_step_results):
    few, many = [], []
    small = _after_two_runs(tmp_path / "small", few)
    monkeypatch.setattr(frames, "FEW_TEXTS", 0)
    large = _after_two_runs(tmp_path / "large", many)
    assert (set(few), set(many)) == ({"python"}, {"auto"}) and len(few) == len(many) == 2
    same(published(small), published(large))
    written = [
        {(table, name): part.sha256 for table, parts in manifest.tables.items() for name, part in parts.items()}
        for manifest in (read_manifest(small.published), read_manifest(large.published))
    ]
    shown = [at for at in written[0] if not TABLES[at[0]].internal and at[0] not in SELF]
    assert len(shown) > 30 and [written[0][at] for at in shown] == [written[1][at] for at in shown]
    assert pd.get_option("mode.string_storage") == "auto"


def test_a_frame_has_its_declared_texts_however_they_are_held():
    fields = list(TABLES["units"].fields.values())
    for rows in (0, frames.FEW_TEXTS):
        with frames.texts_of(rows):
            made = frames.conform(pd.DataFrame({"unit_id": ["C1"]}), fields)
            again = frames.conform(made, fields)
            nothing = frames.empty(fields)
        assert made["unit_id"].dtype.storage == again["unit_id"].dtype.storage == nothing["unit_id"].dtype.storage
        assert made["unit_id"].dtype.storage == ("python" if rows == 0 else "pyarrow")
        # taken as it stands where the other way of holding texts made it
        assert frames.conform(made, fields)["unit_id"].dtype == made["unit_id"].dtype
