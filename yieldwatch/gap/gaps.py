"""
Means over what is there, where all-missing slices are expected and give NaN without a warning.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np


def over_known(reduce: Callable[..., Any], values: np.ndarray, *args: Any, **kwargs: Any) -> np.ndarray:
    """
    Apply one of numpy's nan-functions; a slice without any value gives NaN silently.

    Examples
    --------
    >>> over_known(np.nanmean, np.array([[1.0, np.nan], [np.nan, np.nan]]), axis=1)
    array([ 1., nan])
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(reduce(values, *args, **kwargs))
