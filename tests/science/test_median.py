"""The median against numpy's own."""

import subprocess
import sys

import numpy as np
import pytest

from monitor.science.median import median


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int64])
@pytest.mark.parametrize("shape", [(1,), (2,), (7,), (200,), (5, 3), (4, 3), (200, 12, 2)])
def test_to_the_last_bit_as_numpy_has_it(shape: tuple[int, ...], dtype: type) -> None:
    values = (np.random.default_rng(7).normal(size=shape) * 1e3).astype(dtype)
    for axis in range(len(shape)):
        ours, numpys = median(values, axis), np.median(values, axis=axis)
        assert ours.dtype == numpys.dtype
        np.testing.assert_array_equal(ours, numpys)


def test_what_is_unknown_spreads_and_the_infinite_does_not() -> None:
    values = np.array([[1.0, np.nan, 3.0], [5.0, 2.0, np.inf], [np.inf, 4.0, 1.0]])
    np.testing.assert_array_equal(median(values), np.median(values, axis=0))
    np.testing.assert_array_equal(median(values, 1), np.median(values, axis=1))


def test_of_nothing_there_is_no_middle() -> None:
    with pytest.raises(IndexError):
        median([])


def test_masked_arrays_are_not_loaded() -> None:
    check = (
        "import sys; from monitor.science.median import median; median([1, 2]);"
        "sys.exit('numpy.ma' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0
