"""The worked numbers in docstrings of shared/ are what the functions give.

Each also stands in tests/published against a printed source or CoolProp; here it is held where people read it.
"""

import doctest
from importlib import import_module

import pytest

WITH_EXAMPLES = {
    "shared.gas.thermal": 3,
    "shared.gas.mixing": 1,
    "shared.diving.breathing": 1,
    "shared.filling.blending": 2,
}


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples_in_docstrings_hold(module):
    found = doctest.testmod(import_module(module))
    assert found.failed == 0 and found.attempted >= WITH_EXAMPLES[module]
