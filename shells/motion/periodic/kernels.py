"""Compiled motion in the zonal field, with the argument of latitude as the independent variable.

Units: km, s, radians. The field is axially symmetric: the polar angular momentum is conserved, the node decouples, and
what is left is the motion in the meridian plane. A state is ``[r, radial velocity, angular momentum, time]``; the
inclination follows from cos i = polar angular momentum / angular momentum. Regular at the poles and for circular
orbits; singular on the equator, where the argument of latitude has no origin.

References
----------
.. [1] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999, section 10.4: Gauss's
   equations.
.. [2] E. Hairer, S. P. Norsett, G. Wanner, Solving Ordinary Differential Equations I, 2nd ed. 1993, section II.7:
   collocation methods of Gauss.
"""

import numpy as np
from numpy.polynomial import Polynomial

from shells.compiled import allocating_kernel, kernel

#: Stages of a step: order 10. Steps of pi / 32 are then exact to rounding for e < 0.1 and zonals to degree 15.
STAGES = 5

#: Rounds of the fixed point that solves for the stages: each gains two digits at steps of pi / 32.
_ROUNDS = 8


def _gauss_method():
    """Return nodes (stages,), weights (stages,) and matrix (stages, stages) of the method on the unit step [2]."""
    points, weights = np.polynomial.legendre.leggauss(STAGES)
    nodes = 0.5 * (points + 1.0)
    matrix = np.empty((STAGES, STAGES))
    for j in range(STAGES):
        cardinal = Polynomial.fromroots(np.delete(nodes, j))
        matrix[:, j] = (cardinal / cardinal(nodes[j])).integ()(nodes)
    return nodes, 0.5 * weights, matrix


_NODES, _WEIGHTS, _MATRIX = _gauss_method()


@kernel
def rates(sine, cosine, state, polar_momentum, mu, radius, zonals, out):
    """Fill ``out`` with the derivatives of a state by the argument of latitude, whose sine and cosine are given [1].

    ``zonals`` holds the unnormalised J_n at index n.
    """
    r, radial, momentum = state[0], state[1], state[2]
    cos_i = polar_momentum / momentum
    sin_i = np.sqrt(1.0 - cos_i * cos_i)
    x = sin_i * sine
    previous, value, previous_slope, slope = 1.0, x, 0.0, 1.0
    power = radius / r
    pull = turn = 0.0
    for n in range(2, zonals.size):
        power *= radius / r
        previous, value = value, ((2 * n - 1) * x * value - (n - 1) * previous) / n
        previous_slope, slope = slope, previous_slope + (2 * n - 1) * previous
        pull += (n + 1) * zonals[n] * power * value
        turn -= zonals[n] * power * slope
    turn *= mu / r  # derivative of the potential by the sine of the latitude
    rate = momentum / (r * r) - cos_i * cos_i * sine * turn / (momentum * sin_i)
    out[0] = radial / rate
    out[1] = (momentum * momentum / r - mu + mu * pull) / (r * r * rate)
    out[2] = sin_i * cosine * turn / rate
    out[3] = 1.0 / rate


@allocating_kernel
def follow(first, step, polar_momentum, mu, radius, zonals, out):
    """Fill ``out`` of shape (nodes, 4) with states from ``out[0]`` on, at arguments of latitude ``step`` apart.

    ``first`` is the argument of latitude of ``out[0]``; the step is at most pi / 32 and may be negative.
    """
    stages, trial = np.zeros((STAGES, 4)), np.empty(4)
    sines, cosines = np.empty(STAGES), np.empty(STAGES)
    for k in range(out.shape[0] - 1):
        for stage in range(STAGES):
            angle = first + (k + _NODES[stage]) * step
            sines[stage], cosines[stage] = np.sin(angle), np.cos(angle)
        for _ in range(_ROUNDS):
            for stage in range(STAGES):
                for c in range(4):
                    total = 0.0
                    for s in range(STAGES):
                        total += _MATRIX[stage, s] * stages[s, c]
                    trial[c] = out[k, c] + step * total
                rates(sines[stage], cosines[stage], trial, polar_momentum, mu, radius, zonals, stages[stage])
        for c in range(4):
            total = 0.0
            for s in range(STAGES):
                total += _WEIGHTS[s] * stages[s, c]
            out[k + 1, c] = out[k, c] + step * total
