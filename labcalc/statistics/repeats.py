"""How far repeats of one sample may lie apart."""

from __future__ import annotations

from types import MappingProxyType

__all__ = ["CRITICAL_RANGE_FACTORS", "critical_range"]

CRITICAL_RANGE_FACTORS = MappingProxyType(
    {2: 2.772, 3: 3.314, 4: 3.633, 5: 3.858, 6: 4.030, 7: 4.170, 8: 4.286, 9: 4.387, 10: 4.474}
)
"""Quantiles of 95 % of the range of n normal results over their standard deviation."""


def critical_range(repeatability: float, results: int) -> float:
    """Return the range that n repeats exceed in one case of twenty.

    Parameters
    ----------
    repeatability : float
        Repeatability limit r of the method for two results, [unit of the result].
    results : int
        Number of results n, [-], 2 to 10.

    Returns
    -------
    float
        Critical range, [unit of the result].

    Raises
    ------
    ValueError
        The number of results is outside 2 to 10.

    References
    ----------
    .. [1] ISO 5725-6:1994, 4.1.4 and table 1 (critical range factors), here to three decimals.

    Examples
    --------
    >>> round(critical_range(0.1, 2), 4), round(critical_range(0.1, 3), 4)
    (0.1, 0.1196)
    """
    if results not in CRITICAL_RANGE_FACTORS:
        raise ValueError(f"{results} results: a critical range is given for 2 to 10")
    return repeatability * CRITICAL_RANGE_FACTORS[results] / CRITICAL_RANGE_FACTORS[2]
