"""Median and quantiles against numpy's own."""

import subprocess
import sys

import numpy as np
import pytest

from monitor.science.order_statistics import median, quantiles

SHAPES = [(1,), (2,), (7,), (11,), (200,), (5, 3), (4, 3), (200, 12, 2)]
SHARES = (0.0, 0.1, 0.25, 0.5, 0.9, 1.0)
ODD = np.array([[1.0, np.nan, 3.0], [5.0, 2.0, np.inf], [np.inf, 4.0, 1.0]])


def drawn(shape: tuple[int, ...], dtype: type) -> np.ndarray:
    return (np.random.default_rng(7).normal(size=shape) * 1e3).astype(dtype)


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int64])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_median_is_numpys_to_the_last_bit(shape: tuple[int, ...], dtype: type) -> None:
    values = drawn(shape, dtype)
    for axis in range(len(shape)):
        ours, numpys = median(values, axis), np.median(values, axis=axis)
        assert ours.dtype == numpys.dtype
        np.testing.assert_array_equal(ours, numpys)


@pytest.mark.parametrize("dtype", [np.float64, np.int64])
@pytest.mark.parametrize("shape", SHAPES)
def test_quantiles_are_numpys_to_the_last_bit(shape: tuple[int, ...], dtype: type) -> None:
    values = drawn(shape, dtype)
    np.testing.assert_array_equal(quantiles(values, SHARES), np.quantile(values, SHARES, axis=0))


def test_what_is_unknown_spreads_and_the_infinite_does_not() -> None:
    np.testing.assert_array_equal(median(ODD), np.median(ODD, axis=0))
    np.testing.assert_array_equal(median(ODD, 1), np.median(ODD, axis=1))
    some = np.array([[1.0, np.nan, 3.0], [5.0, 2.0, 4.0]])
    np.testing.assert_array_equal(quantiles(some, SHARES), np.quantile(some, SHARES, axis=0))


def test_of_nothing_there_is_no_middle() -> None:
    with pytest.raises(IndexError):
        median([])
    with pytest.raises(IndexError):
        quantiles([], (0.5,))


def test_masked_arrays_are_not_loaded() -> None:
    check = (
        "import sys; from monitor.science.order_statistics import median, quantiles;"
        "median([1, 2]); quantiles([1, 2], (0.1,)); sys.exit('numpy.ma' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", check], check=False).returncode == 0
