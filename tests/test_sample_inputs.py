"""The sample station uses what the contract can hold: every source, every column, every word of a choice.

What it leaves out is listed with the reason, so that a new column or choice is either put in or left out on purpose.
"""

import csv
from collections import defaultdict
from pathlib import Path

import openpyxl
import pytest

import sample_data
from schemas.sources import SOURCES

INBOX = Path(sample_data.__file__).parent / "inbox"
FOREIGN = {"pump-house-2026.csv": "compressor_log"}  # its own headers, mapped by station.toml

LEFT_OUT = {
    "revised_at": "a correction is written into the file itself",
    "withdrawals": "nothing was entered by mistake",
    "fill_readings": "what was read later stands in the fills' own files",
    "returns": "loans hold their return",
    "cylinders.first_used_on": "the register has the date of manufacture",
    "cylinders.service_life_ends_on": "the one composite cylinder is out of service, its life unknown",
    "cylinders.rule_set": "one set of rules for the station",
    "cylinders.regime": "one set of rules for the station",
    "cylinders.plus_marked": "one cylinder is rated in cubic feet, and has no plus mark",
    "cylinders.rated_at_psi": "it is rated at its service pressure",
    "cylinders.set_kind=independent": "the pair filled and dived as two is a sidemount pair",
    "inspections.kind=ultrasonic": "no cylinder of this station is tested that way",
    "inspections.finding=coating": "nothing of the kind was found",
    "inspections.finding=other": "nothing of the kind was found",
    "gauges.offset_bar": "checked gauges were set right, not noted",
    "air_tests.hydrocarbons_ppm": "the laboratory does not report it",
    "dives.mode=semi_closed": "nobody has one",
    "dive_tanks.tank_ref": "its dive computers give tanks no names of their own",
    "links.kind=role": "tanks have their role in the dives' own files",
    "dive_tanks.role=stage": "the trimix diver's stage is for decompression",
    "dive_tanks.role=bailout": "the borrowed rebreather's dives list one cylinder",
    "dive_tanks.role=oxygen": "the borrowed rebreather's dives list one cylinder",
    "dive_tanks.role=diluent": "the borrowed rebreather's dives list one cylinder",
    "dive_tanks.role=deco": "in the UDDF files of its diver",
    "dive_tanks.he_pct": "in the UDDF files of its diver",
    "dive_tanks.ar_pct": "in the UDDF files of its diver",
    "dive_tanks.member_id": "the folder names the member",
    "dive_samples.member_id": "the folder names the member",
    "dive_samples.tank_3_bar": "nobody who logs in CSV dives three",
    "dive_samples.tank_4_bar": "nobody who logs in CSV dives three",
    "dive_samples.tank_5_bar": "nobody who logs in CSV dives three",
    "dive_samples.tank_6_bar": "nobody who logs in CSV dives three",
    "dives.suit=wet": "in the UDDF files of its diver, who states no suit",
    "bookings.material=aluminium": "no course asked for it",
    "bookings.material=composite": "no course asked for it",
    "links.kind=dive": "no dive has two ids but the twin that is found without a link",
}


def _source_of(name):
    known = [s for s in SOURCES if name.lower().startswith(s)]
    return FOREIGN.get(name) or max(known, key=len)


def _rows(path):
    if path.suffix == ".xlsx":
        head, *rows = openpyxl.load_workbook(path, read_only=True).active.values
        return [dict(zip(head, row, strict=True)) for row in rows]
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def used():
    """Values in use, by source and column."""
    found = defaultdict(lambda: defaultdict(set))
    for path in sorted(INBOX.rglob("*")):
        if path.suffix in (".csv", ".xlsx"):
            for row in _rows(path):
                for column, value in row.items():
                    if value not in (None, ""):
                        found[_source_of(path.name)][column].add(str(value))
    return found


@pytest.mark.parametrize("name", SOURCES)
def test_a_source_and_all_it_can_hold_is_in_the_sample(used, name):
    if name in LEFT_OUT:
        assert name not in used
        return
    assert name in used
    if name in FOREIGN.values():
        return
    missing = set()
    for column, field in SOURCES[name].fields.items():
        values = used[name][column]
        if not values:
            missing.add(column if column == "revised_at" else f"{name}.{column}")
            continue
        split = {part for value in values for part in value.split(";")}
        missing |= {f"{name}.{column}={word}" for word in field.choices if word not in split}
    assert missing <= LEFT_OUT.keys(), sorted(missing - LEFT_OUT.keys())
    assert missing >= {entry for entry in LEFT_OUT if entry.startswith(f"{name}.")}, "listed as left out, but used"


def test_every_form_of_log_is_in_the_sample():
    """UDDF of four versions, with and without a namespace; CSV with samples and without; workbooks."""
    heads = [path.read_text(encoding="utf-8")[:200] for path in INBOX.rglob("*.uddf")]
    for version in ("2.2.0", "3.0.0", "3.2.1", "3.2.2"):
        assert any(f'<uddf version="{version}"' in head for head in heads), version
    assert {"xmlns" in head for head in heads} == {True, False}
    assert len(list(INBOX.rglob("*.xlsx"))) >= 3
    folders = [folder for folder in (INBOX / "dives").iterdir() if (folder / "dives.csv").exists()]
    assert {bool(list(folder.glob("dive_samples*"))) for folder in folders} == {True, False}
