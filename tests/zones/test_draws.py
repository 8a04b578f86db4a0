"""Evenly spread draws are those of the library, which takes long to load."""

import numpy as np
import pytest
from scipy.stats import qmc

from siting.zones.draws import sobol_points


@pytest.mark.parametrize("rows", [1, 2, 31, 64, 300])
@pytest.mark.parametrize("columns", [1, 32])
def test_points_are_those_of_the_library_to_the_bit(rows, columns):
    made = sobol_points(rows, columns, np.random.default_rng(rows), dimensions=64)
    library = qmc.Sobol(64, rng=np.random.default_rng(rows))
    drawn = library.random_base2(rows.bit_length())[1 : rows + 1, :columns]
    assert made.shape == (rows, columns)
    assert (made == drawn).all()
