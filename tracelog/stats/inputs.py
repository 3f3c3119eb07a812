"""Turn arguments into float arrays, or refuse them by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]


def as_numbers(name: str, values: npt.ArrayLike) -> FloatArray:
    """Return values as an array of finite floats; raises ValueError naming the argument."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must be numbers") from error
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite numbers")
    return array


def as_counts(name: str, values: npt.ArrayLike) -> FloatArray:
    """Return whole numbers of 0 or more as floats; raises ValueError naming the argument."""
    array = as_numbers(name, values)
    if (array < 0).any() or (array != np.floor(array)).any():
        raise ValueError(f"{name} must be whole numbers, 0 or more")
    return array


def as_amounts(name: str, values: npt.ArrayLike, *, positive: bool = False) -> FloatArray:
    """Return numbers of 0 or more (above 0 if positive); raises ValueError naming the argument."""
    array = as_numbers(name, values)
    if positive and (array <= 0).any():
        raise ValueError(f"{name} must be above 0")
    if (array < 0).any():
        raise ValueError(f"{name} must be 0 or more")
    return array


def as_series(name: str, array: FloatArray, *, least: int = 1) -> FloatArray:
    """Return the array if it has one dimension and at least `least` values."""
    if array.ndim != 1 or array.size < least:
        plural = "value" if least == 1 else "values"
        raise ValueError(f"{name} must be a list of at least {least} {plural}")
    return array


def one_number(name: str, value: float, *, above: float | None = None) -> float:
    """Return one finite float, strictly above the given bound if there is one."""
    array = as_numbers(name, value)
    if array.ndim != 0:
        raise ValueError(f"{name} must be one number")
    number = float(array)
    if above is not None and number <= above:
        raise ValueError(f"{name} must be above {above:g}")
    return number


def one_count(name: str, value: float, *, least: int = 0) -> int:
    """Return one whole number of at least `least`."""
    number = one_number(name, value)
    if number != int(number) or number < least:
        raise ValueError(f"{name} must be a whole number, {least} or more")
    return int(number)


def as_probability(name: str, value: float) -> float:
    """Return a number strictly between 0 and 1, such as a confidence of 0.95."""
    number = one_number(name, value)
    if not 0 < number < 1:
        raise ValueError(f"{name} must lie between 0 and 1")
    return number


def as_mask(name: str, mask: npt.ArrayLike | None, size: int) -> BoolArray:
    """Return a boolean mask of the given size; None means every point."""
    if mask is None:
        return np.ones(size, dtype=np.bool_)
    array = np.asarray(mask)
    if array.dtype != np.bool_ or array.shape != (size,):
        raise ValueError(f"{name} must hold one true or false for each of the {size} points")
    return array.copy()


def broadcast(**named: FloatArray) -> tuple[FloatArray, ...]:
    """Return the arrays in one common shape; raises ValueError naming all of them."""
    try:
        return tuple(np.broadcast_arrays(*named.values()))
    except ValueError as error:
        raise ValueError(f"{' and '.join(named)} must have the same length") from error


def scalar_or_array(array: FloatArray) -> Any:
    """Return a plain float for an array without dimensions, else the array."""
    return float(array) if array.ndim == 0 else array


def require(condition: object, message: str) -> None:
    """Raise ValueError with the message, which names the argument, unless the condition holds."""
    if not condition:
        raise ValueError(message)


@dataclass(frozen=True)
class Lives:
    """Lives of parts: age at the end of each record, whether it failed then, age at its start."""

    ages: FloatArray
    failed: BoolArray
    entries: FloatArray


def as_lives(
    ages: npt.ArrayLike, failed: npt.ArrayLike, entries: npt.ArrayLike | None = None
) -> Lives:
    """Return lives as arrays of one length; raises ValueError naming the argument.

    `ages` are above 0, `failed` holds true or false (or 1 and 0), `entries` are 0 or more and
    below the ages; None: every record begins at age 0.
    """
    t = as_series("ages", as_amounts("ages", ages, positive=True))
    try:
        mask = np.asarray(failed)
    except ValueError as error:
        raise ValueError("failed must be a list of true and false") from error
    sound = mask.shape == t.shape and bool(np.isin(mask, (0, 1)).all())
    require(sound, "failed must hold true (failed) or false (taken out before) for each age")
    start = np.zeros(t.shape) if entries is None else as_amounts("entries", entries)
    require(start.shape == t.shape, "entries must hold one age for each of ages")
    require((start < t).all(), "entries must lie below ages")
    return Lives(t, mask.astype(np.bool_), start)
