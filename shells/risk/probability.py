"""Collision probability of approaches: as short encounters where that holds, by following the path where it does not.

Position errors are normal and independent, velocities exact. Covariances are given in each object's own frame: radial,
in-track (completing), cross-track (orbit normal). Metres and square metres, as the argument names say.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.risk.covariances import read_covariance, read_radius
from shells.risk.encounter import Encounters, encounters_of
from shells.risk.lasting.encounter import entrances
from shells.risk.series import kernels as series
from shells.risk.short_encounter import quadrature_rules
from shells.schema import APPROACHES, Schema, Variable, provenance

Floats = NDArray[np.float64]

_EVENT = ("approach",)
_LASTING = "the short form does not hold"

PROBABILITIES = Schema(
    "Probabilities",
    "Collision probability of each approach.",
    {
        "collision_probability": Variable(_EVENT, "float64", "1", "collision probability", (0.0, 1.0)),
        "probability_error": Variable(
            _EVENT, "float64", "1", "standard error of a drawn probability, 0 where it was integrated", (0.0, None)
        ),
        "mahalanobis_distance": Variable(
            _EVENT,
            "float64",
            "1",
            "miss distance in the encounter plane, in units of its standard deviation",
            (0.0, None),
        ),
        "duration": Variable(
            _EVENT, "float64", "s", "time in which the errors matter, on a straight path", (0.0, None)
        ),
        "short_encounter": Variable(
            _EVENT, "bool", "", "whether the short form was used: it holds, or nothing hangs on it"
        ),
        "short_form_error": Variable(
            _EVENT, "float64", "1", "bound of the relative error that the bend of the path makes in the short form"
        ),
        "turn_error": Variable(
            _EVENT,
            "float64",
            "1",
            "bound of the relative error that the turn of the errors of second makes in any form",
        ),
        "greatest_probability": Variable(
            _EVENT, "float64", "1", "greatest probability over scales of the covariance", (0.0, 1.0), _LASTING
        ),
        "scale_of_greatest": Variable(
            _EVENT,
            "float64",
            "1",
            "factor on the deviations that makes it greatest",
            (0.0, None),
            _LASTING,
        ),
    },
)

#: Largest relative error of the short form, to first order, up to which it is used.
SHORT_FORM_ERROR = 0.1

#: Probability below which no encounter is followed: it is of no account by any method.
_NEGLIGIBLE = 1e-15

#: The bend grows with the square of the length, which the errors make three times the mean one now and then.
_LONGEST_BEND = 10.0


def collision_probability(
    approaches: xr.Dataset,
    *,
    covariance_first_m2: Any,
    covariance_second_m2: Any,
    hard_body_radius_m: Any,
    seed: int = 0,
) -> xr.Dataset:
    """Return the collision probability of each approach.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES.
    covariance_first_m2, covariance_second_m2 : array_like or Quantity, shape (3, 3) or (approach, 3, 3)
        Position covariance of each object in its own radial, in-track, cross-track frame [m2]; `encounter_errors`
        makes them from an error model: ``collision_probability(approaches, **encounter_errors(…))``.
    hard_body_radius_m : array_like or Quantity, shape () or (approach,)
        Combined radius: the sum of both [m].
    seed : int
        Of the draws for encounters that last, 0 or more. Draws depend on it and on the approach alone, whatever stands
        beside it.

    Returns
    -------
    Dataset
        PROBABILITIES, in the order of the approaches.

    Raises
    ------
    SchemaError
        The Dataset is not APPROACHES.
    InputError
        Covariances of the wrong shape, with NaN, not symmetric or not positive semidefinite; a negative radius;
        approaches without relative velocity. All at once, with the approaches concerned.

    Notes
    -----
    The short form takes the relative path for straight. It bends by b while the errors matter (`Encounters.bend`),
    which moves the point of a density by at most b: to first order that changes the probability by a share of at most
    b (1 + d) / s, d the Mahalanobis distance and s the smallest deviation in the encounter plane (and the radius,
    which smooths). Where this exceeds 0.1 the encounter counts as lasting: it is followed along its bent path, half a
    revolution to both sides, and the probability has the standard error of the draws. Those whose probability stays
    below 1e-15 even so are left with the short form.

    Both forms keep the errors of the second in the directions that they have at closest approach. They turn against the
    frame of the first, by less than the bend unless the errors are long and lie near the encounter plane; the same
    bound for this shift is `turn_error`.
    """
    APPROACHES.check(approaches, stage="collision_probability")
    faults = Faults("collision_probability: arguments cannot be used")
    encounters = read_encounters(faults, approaches, covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    miss, covariance = encounters.in_plane
    plane = (miss, covariance, encounters.radius, quadrature_rules())
    probability, distance, deviation = series.probabilities(*plane)
    # certain positions: what the shift is to the body
    lever = np.where(np.isfinite(distance), distance, 0.0)
    error = largest_change(encounters.bend(), encounters.radius, deviation, lever)
    short = error <= SHORT_FORM_ERROR
    short |= probability < _NEGLIGIBLE * np.exp(-_LONGEST_BEND * error)
    greatest, scale = series.greatest_probabilities(*plane)
    drawn = np.zeros(short.size)
    for k in np.flatnonzero(~short).tolist():
        found = entrances(
            encounters.position[k],
            encounters.velocity[k],
            encounters.covariance[k],
            encounters.radius[k],
            encounters.rate[k],
            _generator(approaches, k, seed),
        )
        probability[k], drawn[k] = min(found.probability, 1.0), found.probability_error
        greatest[k] = scale[k] = np.nan
    return PROBABILITIES.build(
        {
            "collision_probability": probability,
            "probability_error": drawn,
            "mahalanobis_distance": distance,
            "duration": 2.0 * encounters.length() / np.linalg.norm(encounters.velocity, axis=1),
            "short_encounter": short,
            "short_form_error": error,
            "turn_error": largest_change(encounters.turn(), encounters.radius, deviation, lever),
            "greatest_probability": greatest,
            "scale_of_greatest": scale,
        },
        attributes=provenance(seed=seed),
    )


def read_encounters(
    faults: Faults, approaches: xr.Dataset, first_m2: Any, second_m2: Any, hard_body_radius_m: Any
) -> Encounters:
    """Return encounters from the arguments of a stage, or raise all faults.

    Parameters
    ----------
    faults : Faults
        With the name of the stage.
    approaches : Dataset
        APPROACHES.
    first_m2, second_m2, hard_body_radius_m : array_like or Quantity
        As of `collision_probability`.

    Returns
    -------
    Encounters
    """
    count = approaches.sizes["approach"]
    first = read_covariance(faults, "covariance_first_m2", first_m2, count)
    second = read_covariance(faults, "covariance_second_m2", second_m2, count)
    return encounters_of(approaches, first, second, read_radius(faults, hard_body_radius_m, count), faults)


def largest_change(shift: Floats, radius: Floats, deviation: Floats, distance: Floats) -> Floats:
    """Return the share by which a shift of the miss may change a probability, to first order.

    Parameters
    ----------
    shift : ndarray, shape (n,)
        In whatever direction [m].
    radius : ndarray, shape (n,)
        Combined hard-body radius [m].
    deviation : ndarray, shape (n,)
        Smaller deviation in the encounter plane [m].
    distance : ndarray, shape (n,)
        Mahalanobis distance [1].

    Returns
    -------
    ndarray, shape (n,)
        [1].
    """
    scale = np.hypot(deviation, radius)
    return np.divide(shift * (1.0 + distance), scale, out=np.zeros_like(scale), where=scale > 0.0)


def _generator(approaches: xr.Dataset, k: int, seed: int) -> np.random.Generator:
    """Return a generator that depends on the seed and the approach only."""
    key = [int(approaches[name].values[k].astype(np.int64)) for name in ("first", "second", "time")]
    return np.random.default_rng([seed, *(part % 2**64 for part in key)])
