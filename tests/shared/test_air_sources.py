"""What feeds what: banks, chains, lists, circles, strangers."""

import pytest

from shared.air.sources import Feed, feed_of, feeds

REGISTER = [
    ("K1", "compressor", None),
    ("K2", "compressor", ""),
    ("LOW", "bank", "K1"),
    ("HIGH", "bank", "LOW"),
    ("BOTH", "bank", "K1;K2"),
    ("WRITTEN", "bank", " k2 , Low "),
    ("BOUGHT", "bank", None),
    ("HALF", "bank", "K1; somebody's van"),
    ("A", "bank", "B"),
    ("B", "bank", "A"),
    ("C", "bank", "C;K2"),
    ("BOOSTER", "compressor", "BOUGHT"),
    ("TOP", "bank", "BOOSTER"),
    ("N/E", "bank", "K1"),
    ("EAST", "bank", "N/E"),
]


def known():
    return feeds(*zip(*REGISTER, strict=True), ["K3"])


@pytest.mark.parametrize(
    "source, compressors, traced",
    [
        ("K1", ("K1",), True),
        ("K3", ("K3",), True),  # known from its log or tests alone
        ("HIGH", ("K1",), True),
        ("BOTH", ("K1", "K2"), True),
        ("WRITTEN", ("K1", "K2"), True),
        ("BOUGHT", (), False),
        ("HALF", ("K1",), False),
        ("A", (), False),
        ("C", ("K2",), True),
        ("TOP", ("BOOSTER",), False),  # what the booster draws from is not known
        ("EAST", ("K1",), True),  # a name with a separator in it
    ],
)
def test_a_source_is_followed_to_its_compressors_and_open_ends_are_reported(source, compressors, traced):
    assert known()[source] == Feed(compressors, traced)


@pytest.mark.parametrize("written, compressors", [("high", ("K1",)), ("n / e", ("K1",)), ("van", ()), (None, ())])
def test_a_source_in_a_log_is_found_whatever_its_capitals_and_spaces(written, compressors):
    found = feed_of(written, known())
    assert found.compressors == compressors and found.traced == bool(compressors)


def test_two_names_alike_but_for_their_capitals_are_not_guessed_between():
    register = feeds(["k1", "K1", "BANK"], ["compressor", "compressor", "bank"], [None, None, "K 1"], [])
    assert register["BANK"] == Feed((), False)
    assert register["k1"] == Feed(("k1",), True)
