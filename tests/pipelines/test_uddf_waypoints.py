"""However a file comes in pieces, and whatever its waypoints hold, the same samples and problems come out."""

import random

import pytest

from pipelines.readers.uddf import walk, waypoints
from tests.pipelines.uddf_files import dive, document, in_namespace, read, waypoint

_HELD = (
    "<temperature>281.4</temperature>",
    '<tankpressure ref="t1">1.9e7</tankpressure>',
    '<tankpressure tankref="t1">1.8e7</tankpressure><tankpressure ref="t9">1.7e7</tankpressure>',
    "<temperature>281<!-- c -->.5</temperature><temperature>282</temperature>",
    "<depth><![CDATA[7]]></depth>",
    "<depth>7<x/></depth>",
    "<divetime/>",
    '<divemode type="closedcircuit"/>',
    '<decostop kind="mandatory"/><switchmix ref="m32"/>',
    "<alarm>said</alarm>",
    "<a><b><depth>99</depth><waypoint/></b></a>",
    "<waypoint><depth>1</depth><divetime>2</divetime></waypoint>",
    "<tankpressure>x</tankpressure>",
)
_BETWEEN = ("\n", "said", "<junk/>", "<junk><waypoint><depth>1</depth></waypoint></junk>", "<dive/>", "<!-- c -->")


def _text(seed: int) -> str:
    dice = random.Random(seed)

    def samples(odd: float) -> str:
        made = []
        for t in range(dice.choice([0, 1, 2, 40])):
            held = _HELD[:2] if dice.random() > odd else dice.sample(_HELD, dice.randrange(4))
            made += [
                waypoint(10 * t, 9 + t % 5, "".join(held)),
                dice.choice(_BETWEEN) if dice.random() < odd / 3 else "",
            ]
        return "".join(made)

    dives = [
        dive(f"d{n}", start=f"<datetime>2031-05-{n + 1:02d}T10:00Z</datetime>", samples=samples(dice.choice([0, 0.3])))
        for n in range(3)
    ]
    text = document(*dives, dive("two", samples=samples(0.0) + "</samples><samples>" + samples(0.2)))
    return in_namespace(text, dice.choice(["", "u"])) if dice.random() < 0.3 else text


def _all(found) -> tuple:
    tables = {s: found.rows(s).to_json(date_format="iso") for s in ("dives", "dive_tanks", "dive_samples")}
    return tables, [repr(p) for p in found.problems], found.notes


@pytest.mark.parametrize("seed", range(12))
def test_pieces_of_a_file_and_waypoints_one_by_one_give_the_same(tmp_path, monkeypatch, seed):
    text = _text(seed)
    whole = _all(read(tmp_path, text))
    monkeypatch.setattr(walk, "_MUCH", 0)
    for piece in (1 + seed, 100 * (1 + seed)):
        monkeypatch.setattr(walk, "_PIECE", piece)
        assert _all(read(tmp_path, text)) == whole
    monkeypatch.setattr(waypoints.Taker, "_level", lambda *_: False)
    assert _all(read(tmp_path, text)) == whole


def test_most_waypoints_are_taken_many_at_once(tmp_path, monkeypatch):
    """Else the file is read right, and several times slower."""
    monkeypatch.setattr(waypoints.Taker, "_one", lambda *_: pytest.fail("one by one"))
    monkeypatch.setattr(walk, "_MUCH", 0)
    monkeypatch.setattr(walk, "_PIECE", 1000)
    samples = "\n".join(waypoint(t, 9 + t % 5, _HELD[t % 3 if t % 7 else 8]) for t in range(500))
    found = read(tmp_path, document(dive(samples=samples)))
    assert found.counts("dive_samples")[:2] == (500, 500)


def test_waypoints_beyond_the_most_are_counted_in_whatever_pieces_they_come(tmp_path, monkeypatch):
    monkeypatch.setattr(walk, "_MUCH", 0)
    monkeypatch.setattr(walk, "_PIECE", 300)
    monkeypatch.setattr(waypoints, "MOST_WAYPOINTS", 7)
    path, taken = tmp_path / "log.uddf", []
    path.write_text(document(dive(samples="".join(waypoint(t, 5, _HELD[1]) for t in range(30)))), encoding="utf-8")
    walk.walk(path, walk.Definitions(), True, lambda _, points: taken.append(points))
    (points,) = taken
    assert (points.count, len(points.line), len(points.depth), len(points.pressure)) == (30, 7, 7, 7)


def test_of_two_readings_of_one_tank_at_one_moment_the_one_named_in_a_later_way_counts(tmp_path):
    """Whatever the hashes of this process are: of names in a set the order is another in each."""
    twice = '<tankpressure ref="{}">1.9e7</tankpressure><tankpressure tankref="{}">1.8e7</tankpressure>'
    for n in range(8):
        held = twice.format(f"t{n}", f"t{n}")
        text = document(dive(samples=waypoint(0, 9, held) + waypoint(60, 9, held))).replace('"t1"', f'"t{n}"')
        assert read(tmp_path, text).rows("dive_samples")["tank_1_bar"].tolist() == [180.0, 180.0]
