"""The station code: kept as a hash, tried a few times only."""

import json
import os
import stat

import pytest

from schemas import station_code as sc


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    monkeypatch.setattr(sc, "COST", {"n": 1 << 10, "r": 8, "p": 1})


def test_a_code_is_known_again_and_no_other(tmp_path):
    sc.set_code(tmp_path, "weir-2031")
    assert sc.is_code(tmp_path, "weir-2031") and sc.is_code(tmp_path, " weir-2031 ")
    for other in ("", "weir-2030", "Weir-2031", "x" * 10_000):
        assert not sc.is_code(tmp_path, other)


def test_the_code_itself_is_kept_nowhere_and_its_file_is_the_owners(tmp_path):
    sc.set_code(tmp_path, "weir-2031")
    files = [p for p in tmp_path.rglob("*") if p.is_file()]
    assert files == [tmp_path / sc.PLACE] and "weir" not in files[0].read_text()
    if os.name != "nt":
        assert stat.S_IMODE(files[0].stat().st_mode) == 0o600


def test_a_new_code_ends_the_old_one_and_none_admits_nobody(tmp_path):
    assert not sc.is_code(tmp_path, "") and sc.code_version(tmp_path) == "" and not sc.remove_code(tmp_path)
    sc.set_code(tmp_path, "weir-2031")
    first = sc.code_version(tmp_path)
    sc.set_code(tmp_path, "quay-2032")
    assert not sc.is_code(tmp_path, "weir-2031") and sc.code_version(tmp_path) not in ("", first)
    assert sc.remove_code(tmp_path) and not sc.is_code(tmp_path, "quay-2032")


@pytest.mark.parametrize("code", ["", "12345", "111111", "121212", "x" * 65])
def test_a_weak_code_is_not_set(tmp_path, code):
    with pytest.raises(sc.WeakCode, match="6 to 64 characters"):
        sc.set_code(tmp_path, code)
    assert not (tmp_path / sc.PLACE).exists()


@pytest.mark.parametrize("change", [{"kind": "plain"}, {"n": 1 << 40}, {"n": 0}, {"salt": "zz"}, {"hash": None}])
def test_a_damaged_or_altered_file_admits_nobody(tmp_path, change):
    sc.set_code(tmp_path, "weir-2031")
    place = tmp_path / sc.PLACE
    place.write_text(json.dumps(json.loads(place.read_text()) | change))
    assert not sc.is_code(tmp_path, "weir-2031") and sc.code_version(tmp_path) == ""


def test_codes_by_chance_differ_and_may_be_set(tmp_path):
    codes = {sc.new_code() for _ in range(20)}
    assert len(codes) > 15 and all(len(c) == 8 for c in codes)


def test_after_some_wrong_ones_none_is_taken_for_a_while():
    tries = sc.Attempts(most=3, within_s=60.0)
    for at in (0.0, 1.0, 2.0):
        assert tries.wait_s(at) == 0.0
        tries.wrong(at)
    assert tries.wait_s(3.0) == 59.0 and tries.wait_s(61.9) == 0.0


def test_the_cost_of_a_try_is_that_of_the_standard(monkeypatch):
    monkeypatch.undo()
    assert sc.COST["n"] >= 1 << 15 and sc.COST["r"] == 8 and sc.COST["p"] >= 1
