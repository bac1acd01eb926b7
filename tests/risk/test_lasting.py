"""Encounters that last: the flux into the sphere along the bent path, and the test that calls for it."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.spatial.transform import Rotation

from shells.constants import GRAVITATIONAL_PARAMETER
from shells.risk.encounter import Encounters
from shells.risk.lasting.encounter import entrances
from shells.risk.lasting.kernels import relative_path
from shells.risk.probability import collision_probability
from shells.risk.short_encounter import short_encounter_probability
from tests.risk.test_probability import FIRST, SECOND, approaches

RATE = 1.05e-3


def turning(position, velocity):
    return np.concatenate([position, velocity - np.cross([0.0, 0.0, RATE], position)])


def drawn(position, velocity, covariance, radius, *, half, count, seed=3):
    """Number and probability by brute force: errors drawn, the nearest of many instants, entrances counted."""
    rng = np.random.default_rng(seed)
    path = relative_path(turning(position, velocity), RATE, np.linspace(-half, half, 6001))
    errors = rng.multivariate_normal(np.zeros(3), covariance, count)
    number = np.empty(count)
    for k, error in enumerate(errors):
        inside = ((path + error) ** 2).sum(axis=1) < radius**2
        number[k] = inside[0] + np.count_nonzero(inside[1:] & ~inside[:-1])
    hit = number > 0
    return (number.mean(), number.std() / np.sqrt(count)), (hit.mean(), hit.std() / np.sqrt(count))


def test_path_is_that_of_two_bodies():
    # Other method: both orbits integrated (scipy, DOP853) and seen in the turning frame. What the linear equations
    # leave out is of the order of distance^2 / radius.
    mu = GRAVITATIONAL_PARAMETER.value * 1e9
    r = (mu / RATE**2) ** (1.0 / 3.0)
    position, velocity = np.array([150.0, -400.0, 250.0]), np.array([0.2, -0.3, 0.4])
    first = np.array([r, 0.0, 0.0, 0.0, r * RATE, 0.0])
    second = first + np.concatenate([position, velocity])

    def pull(t, y):
        states = y.reshape(2, 6)
        force = -mu * states[:, :3] / np.linalg.norm(states[:, :3], axis=1, keepdims=True) ** 3
        return np.concatenate([states[:, 3:], force], axis=1).ravel()

    times = np.linspace(0.0, 3000.0, 31)
    found = solve_ivp(pull, (0.0, 3000.0), np.concatenate([first, second]), "DOP853", times, rtol=1e-12, atol=1e-9)
    apart = found.y[6:9] - found.y[:3]
    cosine, sine = np.cos(RATE * times), np.sin(RATE * times)
    expected = np.stack([cosine * apart[0] + sine * apart[1], cosine * apart[1] - sine * apart[0], apart[2]], axis=1)
    linear = relative_path(turning(position, velocity), RATE, times)
    distance = np.linalg.norm(expected, axis=1).max()
    np.testing.assert_allclose(linear, expected, rtol=0, atol=3.0 * distance**2 / r)


def test_fast_encounters_are_short_ones():
    # Other method: where the path is straight the flux is the integral over the disc.
    rng = np.random.default_rng(11)
    for _ in range(10):
        square = rng.normal(size=(3, 3)) * rng.uniform(20.0, 200.0, 3)
        covariance = square @ square.T
        velocity = rng.normal(size=3) * 4000.0
        position = np.cross(velocity, rng.normal(size=3))
        position *= rng.uniform(0.0, 250.0) / np.linalg.norm(position)
        pair = Encounters(
            position[None], velocity[None], covariance[None], np.array([12.0]), np.array([RATE]), np.zeros(1)
        )
        short = short_encounter_probability(*pair.in_plane, 12.0)[0]
        found = entrances(position, velocity, covariance, 12.0, RATE, rng)
        assert found.probability == found.number
        assert found.probability_error < 0.05 * short
        np.testing.assert_allclose(found.probability, short, rtol=0, atol=4.0 * found.probability_error + 0.003 * short)


@pytest.mark.parametrize(
    ("position", "velocity", "deviations", "radius", "half"),
    [
        # slow: bends within the errors
        ((20.0, 35.0, -30.0), (0.03, -0.05, 0.06), (30.0, 60.0, 25.0), 15.0, np.pi / RATE),
        # crosses the plane of the first twice in a revolution: several entrances, one collision
        ((4.0, 9.0, 6.0), (0.002, 0.008, 0.31), (12.0, 14.0, 10.0), 11.0, np.pi / RATE),
        # side by side, inside from the beginning with some probability
        ((3.0, 30.0, 1.0), (-0.0305, 0.004, 0.002), (8.0, 20.0, 6.0), 12.0, np.pi / RATE),
    ],
)
def test_lasting_encounters_by_brute_force(position, velocity, deviations, radius, half):
    # Slow twin: errors drawn directly.
    position, velocity, covariance = np.array(position), np.array(velocity), np.diag(np.square(deviations))
    found = entrances(position, velocity, covariance, radius, RATE, np.random.default_rng(5))
    number, probability = drawn(position, velocity, covariance, radius, half=half, count=8000)
    assert abs(found.number - number[0]) < 4.0 * np.hypot(found.number_error, number[1])
    assert abs(found.probability - probability[0]) < 4.0 * np.hypot(found.probability_error, probability[1])
    assert found.probability_error < 0.05 * found.probability


def test_rare_lasting_encounter():
    # Limit of a small body: the flux pi R^2 times the integral of speed times density along the path, at 1e-9.
    position, velocity = np.array([80.0, 90.0, 40.0]), np.array([0.2, 0.4, -0.3])
    deviations = np.array([30.0, 70.0, 20.0])
    times = np.linspace(-1500.0, 1500.0, 300_001)
    path = relative_path(turning(position, velocity), RATE, times)
    density = np.exp(-0.5 * ((path / deviations) ** 2).sum(axis=1)) / ((2.0 * np.pi) ** 1.5 * deviations.prod())
    way = np.append(0.0, np.linalg.norm(np.diff(path, axis=0), axis=1).cumsum())
    expected = np.pi * 0.03**2 * np.trapezoid(density, way)
    assert 1e-10 < expected < 1e-8
    found = entrances(position, velocity, np.diag(deviations**2), 0.03, RATE, np.random.default_rng(5))
    np.testing.assert_allclose(found.number, expected, rtol=0, atol=4.0 * found.number_error)
    np.testing.assert_allclose(found.number, expected, rtol=0.1)


def test_when_the_short_form_holds():
    # Property: while the bound of its error is small the short form agrees with the bent path within the bound, and
    # where it is large they part.
    rng = np.random.default_rng(77)
    below, above = [], []
    for _ in range(90):
        deviations = rng.uniform(15.0, 120.0, 3)
        velocity = rng.normal(size=3)
        velocity *= 10.0 ** rng.uniform(-1.0, 2.0) / np.linalg.norm(velocity)
        position = np.cross(velocity, rng.normal(size=3))
        position *= rng.uniform(10.0, 150.0) / np.linalg.norm(position)
        covariance = np.diag(deviations**2)
        pair = Encounters(
            position[None], velocity[None], covariance[None], np.array([8.0]), np.array([RATE]), np.zeros(1)
        )
        miss, across = pair.in_plane
        distance = np.sqrt(miss[0] @ np.linalg.solve(across[0], miss[0]))
        bound = pair.bend()[0] * (1.0 + distance) / np.hypot(np.sqrt(np.linalg.eigvalsh(across[0])[0]), 8.0)
        short = short_encounter_probability(miss, across, 8.0)[0]
        found = entrances(position, velocity, covariance, 8.0, RATE, rng)
        parting = abs(found.probability / short - 1.0)
        noise = 4.0 * found.probability_error / short
        if bound < 0.1:
            assert parting < bound + noise
            below.append(parting)
        elif bound > 3.0:
            above.append(parting)
    assert len(below) > 10
    assert len(above) > 10
    assert np.median(above) > 0.3


def rotation(axis, angles):
    return Rotation.from_rotvec(angles[:, None] * np.asarray(axis)).as_matrix()


def test_bounds_of_fast_encounters():
    # Other method: the flux pi R^2 |v| times the density, integrated along the bent path with errors that turn with
    # their own objects; long errors in-track, planes crossing at all angles. It parts from the short form by less than
    # the two bounds, to second order.
    rng = np.random.default_rng(41)
    compared = 0
    for _ in range(200):
        angle = rng.uniform(2.0, 178.0)
        deviations = np.array([rng.uniform(5.0, 30.0), 10.0 ** rng.uniform(3.0, 4.5), rng.uniform(5.0, 30.0)])
        own = np.diag([5.0, 15.0, 6.0]) ** 2
        events = approaches(1, angle=[angle], miss=rng.normal(size=3) * 0.02)
        cosine, sine = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        velocity = np.array(
            [events[f"relative_velocity_{axis}"].item() for axis in ("radial", "in_track", "cross_track")]
        )
        miss = np.array([events[axis].item() for axis in ("radial", "in_track", "cross_track")]) * 1e3
        miss -= velocity * (velocity @ miss) / (velocity @ velocity)
        events = events.assign(
            {
                axis: ("approach", [part / 1e3], {"units": "km"})
                for axis, part in zip(("radial", "in_track", "cross_track"), miss, strict=True)
            }
        )
        found = collision_probability(
            events, covariance_first_m2=own, covariance_second_m2=np.diag(deviations**2), hard_body_radius_m=0.1
        )
        bound = found["short_form_error"].item() + found["turn_error"].item()
        if bound > 0.3 or found["collision_probability"].item() < 1e-15:
            continue
        rate = np.sqrt(GRAVITATIONAL_PARAMETER.value / (6378.137 + 600.0) ** 3)
        half = 4.0 * found["duration"].item()
        times = np.linspace(-half, half, 401)
        state = np.concatenate([miss, velocity * 1e3 - np.cross([0.0, 0.0, rate], miss)])
        path = relative_path(state, rate, times)
        turn = np.array([[1.0, 0.0, 0.0], [0.0, cosine, -sine], [0.0, sine, cosine]])
        # the second's frame turns about its own normal, seen from the first's, which turns about the third axis
        second = rotation([0.0, 0.0, 1.0], -rate * times) @ rotation(turn[:, 2], rate * times) @ turn
        covariance = own + second @ np.diag(deviations**2) @ second.swapaxes(1, 2)
        exponent = -0.5 * (path * np.linalg.solve(covariance, path[:, :, None])[:, :, 0]).sum(axis=1)
        density = np.exp(exponent) / np.sqrt((2.0 * np.pi) ** 3 * np.linalg.det(covariance))
        flux = np.pi * 0.1**2 * np.linalg.norm(np.gradient(path, times, axis=0), axis=1) * density
        expected = np.trapezoid(flux, times)
        assert abs(expected / found["collision_probability"].item() - 1.0) < bound + 0.5 * bound**2 + 1e-3
        compared += bound > 0.01
    assert compared > 30


def slow_approaches(count):
    events = approaches(count, angle=np.linspace(0.001, 0.004, count), miss=(0.03, 0.05, -0.02))
    return events.assign(
        time=("approach", events["time"].values + np.arange(count) * np.timedelta64(600, "s")),
        second=("approach", np.arange(count) + 50),
    )


def test_stage_follows_what_lasts():
    # Property: the stage takes the flux where the bound is exceeded, and says so; draws belong to the approach.
    events = slow_approaches(6)
    options = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 12.0}
    found = collision_probability(events, **options)
    short = found["short_encounter"].values
    assert not short.any()
    assert (found["short_form_error"] > 0.1).all()
    assert (found["probability_error"] > 0.0).all()
    assert np.isnan(found["greatest_probability"]).all()
    turned = collision_probability(events.isel(approach=slice(None, None, -1)), **options)
    np.testing.assert_array_equal(turned["collision_probability"][::-1], found["collision_probability"])
    alone = collision_probability(events.isel(approach=[3]), **options)
    np.testing.assert_array_equal(alone["collision_probability"], found["collision_probability"][[3]])
    other = collision_probability(events, **options, seed=1)
    spread = 4.0 * np.hypot(other["probability_error"], found["probability_error"])
    assert (abs(other["collision_probability"] - found["collision_probability"]) < spread).all()
    assert not np.array_equal(other["collision_probability"], found["collision_probability"])


def test_no_body_and_flat_errors():
    # Limits: nothing to hit; errors without extent in two directions.
    still = np.array([5.0, 30.0, 4.0]), np.array([-0.03, 0.01, 0.02])
    rng = np.random.default_rng(1)
    assert entrances(*still, np.eye(3), 0.0, RATE, rng).probability == 0.0
    found = entrances(*still, np.diag([0.0, 900.0, 0.0]), 10.0, RATE, rng)
    _, probability = drawn(*still, np.diag([1e-8, 900.0, 1e-8]), 10.0, half=np.pi / RATE, count=3000)
    assert abs(found.probability - probability[0]) < 4.0 * np.hypot(found.probability_error, probability[1]) + 0.01
