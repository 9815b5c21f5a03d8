"""The same rows in every order, split over files in every way and written in every style: the same tables."""

import csv
import io
import itertools
import os
import random
import shutil

import pytest
import small_station as s

FULL = os.environ.get("COLDFILL_SOAK") == "full"
#: texts that a careless reader of CSV divides, joins or trims
OPERATORS = ["Mo, Jo", 'the "tall" one', "two\nlines", "Ann"]
FILLS = [s.fill(n, operator=text) for n, text in enumerate(OPERATORS, 1)]
STYLES = [
    dict(zip(("lineterminator", "quoting", "delimiter"), style, strict=True))
    for style in itertools.product(["\n", "\r\n"], [csv.QUOTE_MINIMAL, csv.QUOTE_ALL], [",", ";", "\t"])
]
WAYS = [
    (order, cuts)
    for order in itertools.permutations(range(len(FILLS)))
    for n in range(len(FILLS))
    for cuts in itertools.combinations(range(1, len(FILLS)), n)
]
SPLITS = list(enumerate(WAYS)) if FULL else random.Random(4).sample(list(enumerate(WAYS)), 4)


def _written(rows: list[dict[str, str]], style: dict, n: int) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]), **style)
    writer.writeheader()
    writer.writerows(rows)
    text = out.getvalue()
    if n % 3 == 1:  # the last line may end or not
        text = text.rstrip("\r\n")
    return (b"\xef\xbb\xbf" if n % 5 == 2 else b"") + text.encode()


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    station = s.make(tmp_path_factory.mktemp("reference"))
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", FILLS)
    s.take_in(station)
    found = s.stored(station)
    assert found["fills"]["operator"].tolist() == ["Mo, Jo", 'the "tall" one', "two lines", "Ann"]
    return found


@pytest.mark.soak
def test_every_order_and_split_gives_the_same_rows(tmp_path, reference):
    """All in one run or each file in its own, the register among them at any place."""
    for number, (order, cuts) in SPLITS:
        station = s.make(tmp_path / "station")
        rows = [FILLS[n] for n in order]
        files = [rows[a:b] for a, b in itertools.pairwise((0, *cuts, len(rows)))]
        parts = [("fills", part) for part in files]
        parts.insert(number % (len(parts) + 1), ("cylinders", s.CYLINDERS))
        for n, (source, part) in enumerate(parts):
            s.drop(station, f"{source}-{n}.csv", _written(part, STYLES[(number + n) % len(STYLES)], number + n), n)
            if number % 2:
                s.take_in(station)
        s.take_in(station)
        assert s.open_problems(station).empty, (order, cuts)
        s.same(s.stored(station), reference)
        shutil.rmtree(station.folder)
    print(f"{len(SPLITS)} of {len(WAYS)} orders and splits")
