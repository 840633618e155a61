"""What a signal strength means: loss in free space, fade margin, share lost to fading."""

from __future__ import annotations

import math

import numpy as np

LIGHT_M_S = 299_792_458.0
MEDIAN_BELOW_MEAN_DB = -10 * math.log10(math.log(2))
"""Under Rayleigh fading the median power lies this much below the mean: 1.59 dB."""


def free_space_loss(distance_m: float, frequency_mhz: float) -> float:
    """Loss between isotropic antennas in free space [dB].

    Raises
    ------
    ValueError
        When distance or frequency is not positive.

    References
    ----------
    ITU-R P.525: 20 log10(4 pi d / lambda).
    """
    if not (distance_m > 0 and frequency_mhz > 0):
        raise ValueError(f"no loss at {distance_m} m and {frequency_mhz} MHz")
    return 20 * math.log10(4 * math.pi * distance_m * frequency_mhz * 1e6 / LIGHT_M_S)


def expected_rssi(
    tx_power_dbm: float, gain_dbi: float, gateway_gain_dbi: float, distance_m: float, frequency_mhz: float
) -> float:
    """RSSI that free space would give: the most that a path can deliver [dBm]."""
    return tx_power_dbm + gain_dbi + gateway_gain_dbi - free_space_loss(distance_m, frequency_mhz)


def fading_outage(margin_db: float | np.ndarray) -> float | np.ndarray:
    """Share of time that Rayleigh fading takes the signal below the receiver's sensitivity.

    Parameters
    ----------
    margin_db : float or ndarray
        Mean power over the sensitivity [dB].

    References
    ----------
    Rayleigh amplitude, hence exponential power: 1 - exp(-10^(-margin / 10)).
    """
    return -np.expm1(-(10.0 ** (-np.asarray(margin_db, dtype=float) / 10)))[()]


def outage_from_median(margin_db: float) -> float:
    """Share lost to Rayleigh fading when the margin is that of the median RSSI [dB]."""
    return float(fading_outage(margin_db + MEDIAN_BELOW_MEAN_DB))
