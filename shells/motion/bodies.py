"""Where Sun and Moon stand: tables in the frame of the study, and what they weigh.

Positions come from ERFA: the Earth by `epv00` (a truncated VSOP2000, 1900 to 2100 to better than 12 km in position,
slowly less beyond), the Moon by `moon98` (Meeus 1998 after ELP 2000, some 10 km). Both are turned from the celestial
frame to the true equator and equinox of the study epoch (precession and nutation IAU 2006/2000A at that instant), which
is then treated as inertial: ten years later the true equator has moved by up to 0.06 deg, which is left out throughout.
Time: UTC, taken as 69.184 s behind Terrestrial Time (the value since 2017; another leap second would move the Moon by
0.5 arc seconds). Terrestrial Time stands for the barycentric one (2 ms).

References
----------
.. [1] IAU SOFA Board, routines `epv00`, `moon98`, `pnm06a`, as in ERFA.
.. [2] W. M. Folkner et al., The planetary and lunar ephemerides DE430 and DE431, IPN Progress Report 42-196, 2014:
   gravitational parameters.
"""

from __future__ import annotations

import warnings

import erfa
import numpy as np
from numpy.typing import NDArray

from shells import constants

#: Spacing of the tables [s]: cubic polynomials over half a day hold the Moon to 0.2 km and the Sun far better.
SPACING = 0.5 * constants.DAY.value

_TERRESTRIAL_LESS_UTC = 69.184
_UNIX_EPOCH_JULIAN = constants.UNIX_EPOCH_JULIAN.value
_KM_PER_AU = constants.ASTRONOMICAL_UNIT.value


def sun_and_moon(epoch: np.datetime64, span_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return geocentric tables of Sun and Moon.

    Parameters
    ----------
    epoch : datetime64
        UTC: time of the first node, and of the true equator and equinox of the frame.
    span_s : float
        Span that the nodes have to cover [s].

    Returns
    -------
    sun, moon : ndarray, shape (nodes, 6)
        Position [km] and velocity [km s-1] every `SPACING` from the epoch on, to the end of the span or just beyond.
    """
    days = _days(epoch)
    whole = _UNIX_EPOCH_JULIAN + np.floor(days)
    seconds = np.arange(int(np.ceil(span_s / SPACING)) + 2) * SPACING
    fraction = days - np.floor(days) + (seconds + _TERRESTRIAL_LESS_UTC) / constants.DAY.value
    with warnings.catch_warnings():
        # beyond 2100 ERFA warns of a slow loss of accuracy, which the module states
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        heliocentric, _ = erfa.epv00(whole, fraction)
        moon = erfa.moon98(whole, fraction)
        to_true_equator = erfa.pnm06a(whole, fraction[0])
    speed = _KM_PER_AU / constants.DAY.value
    return (
        np.hstack(
            [heliocentric["p"] @ to_true_equator.T * -_KM_PER_AU, heliocentric["v"] @ to_true_equator.T * -speed]
        ),
        np.hstack([moon["p"] @ to_true_equator.T * _KM_PER_AU, moon["v"] @ to_true_equator.T * speed]),
    )


def _days(epoch: np.datetime64) -> float:
    """Return days since 1970."""
    return int(epoch.astype("datetime64[ns]").astype(np.int64)) / (constants.DAY.value * 1e9)


def greenwich_angle(epoch: np.datetime64) -> float:
    """Return the angle from the true equinox to Greenwich: apparent sidereal time, IAU 2006/2000A.

    Parameters
    ----------
    epoch : datetime64
        UTC, taken for UT1 (they differ by up to 0.9 s, 420 m along the equator) and for Terrestrial Time (2e-10 rad).

    Returns
    -------
    float
        Angle [rad], 0 to 2 pi.

    Notes
    -----
    IAU SOFA Board, routine `gst06a`, as in ERFA.
    """
    days = _days(epoch)
    return float(erfa.gst06a(_UNIX_EPOCH_JULIAN, days, _UNIX_EPOCH_JULIAN, days))
