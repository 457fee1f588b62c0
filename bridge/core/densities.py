"""Probability densities of the measurement models, scalar and cheap.

All densities are per psu. ``deviation`` is reading minus predicted water, in psu; negative means
that the probe reads low.
"""

from math import erfc, exp, pi, sqrt
from typing import Final

ROOT_2: Final = sqrt(2.0)
ROOT_2PI: Final = sqrt(2.0 * pi)
TINY: Final = 1e-12
"""Floor of a density: no single sample may rule a hypothesis out for ever."""
FAR_TAIL: Final = 10.0
"""Standard deviations from which the tail of the normal distribution is taken by its series."""


def normal(deviation: float, deviation_sd: float) -> float:
    """Density of a normal distribution with mean 0. [1/psu]."""
    z = deviation / deviation_sd
    if z * z > 110.0:  # noqa: PLR2004 - exp(-55) is far below TINY
        return TINY
    return exp(-0.5 * z * z) / (deviation_sd * ROOT_2PI) + TINY


def below(z: float) -> float:
    """Probability that a standard normal variable is below ``z``."""
    return 0.5 * erfc(-z / ROOT_2)


def one_sided(deviation: float, deviation_sd: float, depth_psu: float) -> float:
    """Density of normal noise minus an exponential depth (exponentially modified Gaussian).

    The depth is that of gas on the electrodes: never negative, mostly small, sometimes large.

    Args:
        deviation: Reading minus water. [psu]
        deviation_sd: Standard deviation of the normal part, > 0. [psu]
        depth_psu: Mean of the exponential part, > 0. [psu]

    Source: Grushka 1972, Anal. Chem. 44, 1733 (from memory), mirrored to the low side.
    """
    if deviation > 8.0 * deviation_sd:
        return TINY
    z = deviation / deviation_sd
    tail_from = z + deviation_sd / depth_psu
    if tail_from > FAR_TAIL:
        # The exponential overflows where the error function vanishes; their product does neither.
        inverse2 = 1.0 / (tail_from * tail_from)
        mills = (1.0 - inverse2 * (1.0 - inverse2 * (3.0 - 15.0 * inverse2))) / tail_from
        return exp(-0.5 * z * z) / ROOT_2PI * mills / depth_psu + TINY
    exponent = deviation / depth_psu + 0.5 * (deviation_sd / depth_psu) ** 2
    if exponent < -55.0:  # noqa: PLR2004 - exp(-55) is far below TINY
        return TINY
    return exp(exponent) * 0.5 * erfc(tail_from / ROOT_2) / depth_psu + TINY


def two_sided(deviation: float, scale_psu: float) -> float:
    """Laplace density with mean 0: a step of either sign. [1/psu]."""
    exponent = -abs(deviation) / scale_psu
    return exp(max(exponent, -55.0)) / (2.0 * scale_psu) + TINY


def between(deviation: float, deviation_sd: float, low: float, high: float) -> float:
    """Density of a uniform change between ``low`` and ``high`` seen through normal noise.

    This is what plumbing can do: any change up to its fastest rate is alike.

    Args:
        deviation: Reading minus the last water estimate. [psu]
        deviation_sd: Standard deviation of the noise, > 0. [psu]
        low: Largest possible fall (negative or 0). [psu]
        high: Largest possible rise (positive or 0). [psu]
    """
    width = high - low
    if width < 0.2 * deviation_sd:
        return normal(deviation - 0.5 * (low + high), deviation_sd)
    inside = below((deviation - low) / deviation_sd) - below((deviation - high) / deviation_sd)
    return max(inside, 0.0) / width + TINY
