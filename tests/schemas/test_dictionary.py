"""The dictionary in the tree is the one the declarations give."""

from schemas.codes import all_codes
from schemas.dictionary import PLACE, dictionary
from schemas.fields import FIELDS
from schemas.sources import SOURCES
from schemas.tables import TABLES


def test_the_dictionary_is_up_to_date():
    assert PLACE.read_text(encoding="utf-8") == dictionary(), "run: python -m schemas.dictionary"


def test_every_number_says_its_unit_or_needs_none():
    """A float column ends in its unit; a count, a share and the open `value` and `limit` of an air test have none."""
    bare = {
        "value",
        "limit",
        "accuracy_class",
        "hours",
        "short_fill_share",
        "chance_next_below",
        "chance_risen",
        "chance_from",
        "chance_to",
        "share_below",
        "chance_before",
        "filter_hours_left",
        "hours_since_filter",
        "filter_life_hours",
        "service_hours",
        "mean_chance",
        "widening",
    }
    units = (
        "bar",
        "l",
        "c",
        "k",
        "pct",
        "ppm",
        "m3",
        "kg",
        "m",
        "s",
        "min",
        "days",
        "day",
        "abs",
        "psi",
        "cuft",
        "15c",
        "ref",
        "hours",
        "minutes",
        "month",
        "there",
    )
    for field in FIELDS:
        if field.kind == "float" and field.name not in bare:
            assert field.name.rsplit("_", 1)[-1] in units, field.name
        if field.kind == "float" and field.name not in bare - {"hours"}:
            assert field.unit, field.name


def test_keys_and_required_columns_are_declared():
    for source in SOURCES.values():
        assert set(source.key) <= set(source.fields), source.name
        assert source.required <= set(source.fields), source.name
        assert set(source.references) <= set(source.fields), source.name
    for table in TABLES.values():
        assert set(table.key) <= set(table.fields), table.name


def test_every_code_is_a_word_with_a_sentence():
    for code in all_codes().values():
        assert code.code == code.code.lower() and " " not in code.code
        assert len(code.says) > 8, code.code
