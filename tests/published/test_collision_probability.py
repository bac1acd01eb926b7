"""Collision probability against published and exact values.

Marks: "read" the number was read in the source named; "from memory" it was not verified in the source; "computed" it
was computed independently of this library (scipy, mpmath with 60 digits) and has no publication behind it.
"""

import numpy as np
import pytest

from shells.errors import InputError
from shells.risk.covariances import smallest_correlation_eigenvalue
from shells.risk.encounter import encounter_plane
from shells.risk.probability import collision_probability
from shells.risk.short_encounter import short_encounter_probability
from shells.schema import APPROACHES

# CCSDS 508.0-B-1, June 2013 with corrigenda to October 2021, section 4.4, XML example (read): states [km, km/s] and
# covariances in radial, transverse, normal [m2, m2/s, m2/s2], lower triangles.
POSITION = np.array([[2570.097065, 2244.654904, 6281.497978], [2569.540800, 2245.093614, 6281.599946]])
VELOCITY = np.array([[4.418769571, 4.833547743, -3.526774282], [-2.888612500, -6.007247516, 3.328770172]])
COVARIANCE = np.zeros((2, 6, 6))
COVARIANCE[0][np.tril_indices(6)] = (
    *(41.42, -8.579, 2533, -23.13, 13.36, 70.98, 2.520e-3, -5.476, 8.626e-4, 5.744e-3, -1.006e-2, 4.041e-3),
    *(-1.359e-3, -1.502e-5, 1.049e-5, 1.053e-3, -3.412e-3, 1.213e-2, -3.004e-6, -1.091e-6, 5.529e-5),
)
COVARIANCE[1][np.tril_indices(6)] = (
    *(1337, -48060, 2.492e6, -32.98, -758.88, 71.05, 2.591e-3, -4.152e-2, -1.784e-6, 6.886e-5, -1.016e-2, -1.506e-4),
    *(1.637e-3, -2.987e-6, 1.059e-5, 4.400e-3, 8.482e-3, 8.633e-5, -1.903e-6, -4.594e-6, 5.178e-5),
)
COVARIANCE += np.tril(COVARIANCE, -1).swapaxes(1, 2)


def frame(position, velocity):
    """Radial, in-track and cross-track unit vectors, as rows."""
    radial = position / np.linalg.norm(position)
    cross = np.cross(position, velocity)
    cross /= np.linalg.norm(cross)
    return np.stack([radial, np.cross(cross, radial), cross])


def message(velocity):
    """Approaches Dataset of the example, the second as seen from the first."""
    frames = [frame(position, speed) for position, speed in zip(POSITION, velocity, strict=True)]
    miss, relative = frames[0] @ (POSITION[1] - POSITION[0]), frames[0] @ (velocity[1] - velocity[0])
    values = dict(zip(("radial", "in_track", "cross_track"), miss, strict=True))
    values |= {f"relative_velocity_{axis}": part for axis, part in zip(values, relative, strict=True)}
    values |= {
        "miss_distance": np.linalg.norm(miss),
        "geocentric_latitude": 61.5,
        "radius_altitude": np.linalg.norm(POSITION[0]) - 6378.137,
        "crossing_angle": np.degrees(np.arccos(frames[0][2] @ frames[1][2])),
    }
    time = np.datetime64("2010-03-13T22:37:52.618", "ns")
    arrays = {name: [value] for name, value in values.items()}
    return APPROACHES.build({"first": [1], "second": [2], "time": [time], "start": [time], "end": [time], **arrays})


def test_message_distance_and_speed():
    # Read: miss distance 715 m (truncated: computed 715.7476), relative speed 14762 m/s (computed 14762.0854).
    approach = message(VELOCITY)
    names = ("relative_velocity_radial", "relative_velocity_in_track", "relative_velocity_cross_track")
    speed = 1000.0 * np.sqrt(sum(approach[name].values ** 2 for name in names))
    np.testing.assert_allclose(1000.0 * approach["miss_distance"], 715.7476, rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(speed, 14762.0854, rtol=0, atol=5.1e-5)


def test_message_components():
    # Read: R, T, N = 27.4, -70.2, 711.8 m and -7.2, -14692.0, -1437.2 m/s. They follow only if the printed velocities
    # are taken as those relative to the turning Earth and made inertial for the frame (computed to three digits
    # more).
    spin = np.array([0.0, 0.0, 7.292115e-5])
    inertial = VELOCITY + np.cross(spin, POSITION)
    axes = frame(POSITION[0], inertial[0])
    miss, speed = axes @ (POSITION[1] - POSITION[0]) * 1000.0, axes @ (VELOCITY[1] - VELOCITY[0]) * 1000.0
    np.testing.assert_allclose(miss, [27.364, -70.181, 711.773], rtol=0, atol=6e-4)
    np.testing.assert_allclose(miss, [27.4, -70.2, 711.8], rtol=0, atol=0.05)
    np.testing.assert_allclose(speed, [-7.2, -14692.0, -1437.2], rtol=0, atol=0.06)


@pytest.mark.parametrize(
    ("spin", "radii", "expected", "deviations", "squared"),
    [
        (0.0, [5.0, 10.0, 20.0], [1.119e-8, 5.676e-8, 4.743e-7], [20.943, 207.490], 25.087),
        (7.292115e-5, [5.0, 10.0, 20.0], [2.075e-13, 1.358e-12, 2.229e-11], [20.779, 158.686], 47.634),
    ],
)
def test_message_probability(spin, radii, expected, deviations, squared):
    # Computed, four digits: printed velocities taken as inertial, and made inertial first, each frame from its own
    # state. The probability printed in the message, 4.835e-05, follows from neither with any sensible body: not an
    # expected value.
    velocity = VELOCITY + np.cross([0.0, 0.0, spin], POSITION)
    frames = [frame(position, speed) for position, speed in zip(POSITION, velocity, strict=True)]
    combined = sum(axes.T @ matrix[:3, :3] @ axes for axes, matrix in zip(frames, COVARIANCE, strict=True))
    plane = encounter_plane((velocity[1] - velocity[0])[None])[0]
    miss, covariance = plane @ (POSITION[1] - POSITION[0]) * 1000.0, plane @ combined @ plane.T
    np.testing.assert_allclose(np.sqrt(np.linalg.eigvalsh(covariance)), deviations, rtol=0, atol=6e-4)
    np.testing.assert_allclose(miss @ np.linalg.solve(covariance, miss), squared, rtol=0, atol=6e-4)
    found = short_encounter_probability(np.tile(miss, (3, 1)), np.tile(covariance, (3, 1, 1)), radii)
    np.testing.assert_allclose(found, expected, rtol=6e-4)
    # the stage turns the second frame about the radial direction: the radial directions differ by 1e-4 rad, here 0.1
    # sigma
    stage = collision_probability(
        message(velocity),
        covariance_first_m2=COVARIANCE[0, :3, :3],
        covariance_second_m2=COVARIANCE[1, :3, :3],
        hard_body_radius_m=10.0,
    )
    np.testing.assert_allclose(stage["mahalanobis_distance"], np.sqrt(squared), rtol=0.02)
    np.testing.assert_allclose(np.log10(stage["collision_probability"]), np.log10(expected[1]), rtol=0, atol=0.4)


def test_message_covariances():
    # Computed: the full covariance of object 1 is none (smallest eigenvalue of its correlation matrix -0.437, because
    # CRDOT_T = -5.476 exceeds the product of the two deviations, 3.81); object 2 and both position blocks are.
    np.testing.assert_allclose(smallest_correlation_eigenvalue(COVARIANCE[0]), -0.437, rtol=0, atol=5.1e-4)
    assert smallest_correlation_eigenvalue(COVARIANCE[1]) > 0.0
    assert (smallest_correlation_eigenvalue(COVARIANCE[:, :3, :3]) > 0.0).all()
    broken = COVARIANCE[0][np.ix_([0, 1, 3], [0, 1, 3])]
    with pytest.raises(
        InputError, match=r"covariance_first_m2: not positive semidefinite at approaches \[0\] \(1 of 1\)"
    ):
        collision_probability(
            message(VELOCITY),
            covariance_first_m2=broken,
            covariance_second_m2=COVARIANCE[1, :3, :3],
            hard_body_radius_m=10.0,
        )


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y", "miss", "radius", "expected"),
    [
        # exact: 1 - exp(-R^2 / 2 sigma^2)
        (100.0, 100.0, (0.0, 0.0), 10.0, 0.00498752080732),
        # exact: non-central chi-square, two degrees of freedom
        (100.0, 100.0, (100.0, 0.0), 10.0, 0.00302886406375),
        # computed: the integral
        (60.0, 20.0, (50.0, 20.0), 40.0, 0.255199087525),
    ],
)
def test_exact_cases(sigma_x, sigma_y, miss, radius, expected):
    # Theory, computed to 12 digits; both methods.
    for method in ("series", "quadrature"):
        found = short_encounter_probability([miss], [np.diag([sigma_x**2, sigma_y**2])], radius, method=method)
        np.testing.assert_allclose(found, [expected], rtol=1e-10)


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y", "radius", "miss", "published", "atol", "computed"),
    [
        (50.0, 25.0, 5.0, (10.0, 0.0), 9.742e-3, 5.1e-7, 9.74151155828e-3),
        (50.0, 25.0, 5.0, (0.0, 10.0), 9.181e-3, 5.1e-7, 9.18105858760e-3),
        (75.0, 25.0, 5.0, (10.0, 0.0), 6.571e-3, 5.1e-7, 6.57120442753e-3),
        (75.0, 25.0, 5.0, (0.0, 10.0), 6.125e-3, 5.1e-7, 6.12495979111e-3),
        (3000.0, 1000.0, 10.0, (1000.0, 0.0), 1.577e-5, 5.1e-9, 1.57657746120e-5),
        (3000.0, 1000.0, 10.0, (0.0, 1000.0), 1.011e-5, 5.1e-9, 1.01088302874e-5),
    ],
)
def test_principal_axis_cases(sigma_x, sigma_y, radius, miss, published, atol, computed):
    # From memory, not verified: cases of F. K. Chan 2008 as used by R. Serra et al. 2016, Journal of Guidance,
    # Control, and Dynamics 39(5), 1009-1021, to the digits printed. Computed with mpmath, 60 digits: to 1e-10.
    for method in ("series", "quadrature"):
        found = short_encounter_probability([miss], [np.diag([sigma_x**2, sigma_y**2])], radius, method=method)
        np.testing.assert_allclose(found, [published], rtol=0, atol=atol)
        np.testing.assert_allclose(found, [computed], rtol=1e-10)
