"""How rough most reflectors of a kind are: an upper tolerance limit."""

import math
from collections.abc import Sequence

import numpy as np

from beamreduce.errors import SettingsError

CONTENT = 0.9


def tolerance_factor(
    n: int, *, content: float = CONTENT, confidence: float = 0.95
) -> float:
    """Return by how many standard deviations the limit lies above the mean.

    Parameters
    ----------
    n
        Number of values, at least 2.
    content
        Share of the population below the limit.
    confidence
        That at least this share is.

    Notes
    -----
    ``t'(confidence; n - 1, z √n) / √n`` with ``t'`` the quantile of the noncentral t law
    and ``z`` that of the normal law at ``content`` (ISO 16269-6:2014, one-sided limits of a
    normal population with both parameters unknown; NIST/SEMATECH e-Handbook, 7.2.6.3).

    Raises
    ------
    SettingsError
        When the numbers are out of range.
    """
    from scipy.stats import nct, norm  # noqa: PLC0415 - slow import

    if n < 2 or not (0 < content < 1 and 0 < confidence < 1):
        raise SettingsError(
            f"a tolerance limit needs at least 2 values, and shares between 0 and 1; got "
            f"{n}, {content:g} and {confidence:g}"
        )
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, norm.ppf(content) * root) / root)


def upper_tolerance_limit(
    values: Sequence[float], *, content: float = CONTENT, confidence: float = 0.95
) -> float | None:
    """Return the value that a share of the population stays below, with confidence.

    Roughness is a size: its logarithm is taken as normal. None where fewer than two values
    are known, or one is not above zero.
    """
    known = np.asarray(values, dtype=float)
    if known.size < 2 or not (known > 0).all():
        return None
    logarithms = np.log(known)
    factor = tolerance_factor(known.size, content=content, confidence=confidence)
    return float(np.exp(logarithms.mean() + factor * logarithms.std(ddof=1)))
