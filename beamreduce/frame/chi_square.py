"""Quantiles of the chi-square law, without the half second that a library takes to load."""

import math

_ROUNDS = 200
_EXACT = 1e-15


def chi_square_quantile(freedom: int, probability: float) -> float:
    """Return the value below which a chi-square variable falls with a probability.

    Parameters
    ----------
    freedom
        Degrees of freedom, at least 1.
    probability
        Above 0 and at most 1/2: the series below then converges fast.

    Notes
    -----
    With ``a = freedom/2`` and ``x`` half the quantile,
    ``P(a, x) = x^a e^-x / Γ(a+1) (1 + x/(a+1) + x²/((a+1)(a+2)) + …)``
    (Abramowitz and Stegun 1964, 6.5.29), so ``d ln P / d ln x = a / series``. ln P is
    concave in ln x and below the line of its first term: Newton's steps from there rise
    to the root without passing it.
    """
    if freedom < 1 or not 0 < probability <= 0.5:
        raise ValueError(
            f"freedom must be at least 1 and probability in (0, 1/2]; "
            f"got {freedom} and {probability}"
        )
    a = freedom / 2
    log_p = math.log(probability)
    log_x = (log_p + math.lgamma(a + 1)) / a
    for _ in range(_ROUNDS):
        x = math.exp(log_x)
        series = _series(a, x)
        log_now = a * log_x - x - math.lgamma(a + 1) + math.log(series)
        step = (log_p - log_now) * series / a
        log_x += step
        if abs(step) < _EXACT:
            break
    return 2 * math.exp(log_x)


def _series(a: float, x: float) -> float:
    total = term = 1.0
    k = a
    while term > total * _EXACT:
        k += 1
        term *= x / k
        total += term
    return total
