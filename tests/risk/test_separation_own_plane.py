"""Satellites in a control fault that drift past the others of their own plane."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special, stats

import shells
from shells import constants
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.risk.separation.own_plane import collisions_in_own_planes, collisions_of_fault
from tests.populations import objects_of

A = 7578.137
MOTION = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / A**3)
DAY = 86400.0

#: Planes whose nodes stay.
POLAR = {"inclination_deg": 90.0, "node_rate_deg_per_day": 0.0}


def test_coplanar_normal_closed_form():
    # Closed form: after a long fault phases are alike but for the empty slot, S - 1 satellites over 2 pi a, each met
    # with the cross-section 2 R. With normal da (at x = 0) and eccentricity vectors the speed is the length of a normal
    # vector of two deviations, of mean sqrt(2 / pi) s E(1 - t^2 / s^2), s the larger (E complete elliptic integral).
    satellites, bodies, days = 1000, 0.003, 1e5
    tolerances, faults = Tolerances("normal", 80.0, 1.1e-4, 30.0), ControlFaults(0.001, 4.0, days)
    offset, swing = np.sqrt(2.0 * (0.08**2 + 0.03**2) + 4.0**2), np.sqrt(2.0) * A * 1.1e-4
    together = offset * swing / np.hypot(offset, swing)
    speed = np.sqrt(2.0 / np.pi) * swing * special.ellipe(1.0 - (0.5 * together / swing) ** 2)
    density = 1.0 / np.sqrt(2.0 * np.pi * (offset**2 + swing**2))
    expected = days * DAY * 2.0 * bodies * MOTION * (satellites - 1) / (2.0 * np.pi * A) * density * speed
    asked = {"satellites": satellites, "radius_km": A, "bodies_km": bodies, **POLAR}
    assert collisions_of_fault(tolerances, faults, **asked) == pytest.approx(expected, rel=1e-4)
    found = collisions_in_own_planes(tolerances, faults, planes=7, **asked)
    assert found == pytest.approx(7 * satellites * 0.001 * expected, rel=1e-4)


@pytest.mark.parametrize(("satellites", "days", "last"), [(2, 400.0, 3), (150, 5.0, 3)])
def test_departures_across_the_track_by_quadrature(satellites, days, last):
    # Other method: adaptive quadrature in polar coordinates, with the distance of two random points of a disc (disc
    # line picking; H. Solomon 1978, Geometric Probability, p. 129), pass by pass, of bodies far smaller than all else.
    # Of two satellites every second pass is at the own slot.
    tolerances, faults = Tolerances("bounded", 0.0, 1.3e-4, cross_track_km=0.4), ControlFaults(0.01, 2.0, days)
    disc, across, bodies = 1.3e-4 * A, 0.4, 1e-5

    def distance(s, radius):
        half = s / (2.0 * radius)
        return 4.0 * s / (np.pi * radius**2) * (math.acos(half) - half * math.sqrt(1.0 - half**2))

    def integrand(v, psi, rho):
        da = rho * math.cos(psi)
        offset = math.exp(-0.5 * (da / 2.0) ** 2) / math.sqrt(2.0 * np.pi * 2.0**2)
        plane = 2.0 * distance(v, across) / (2.0 * np.pi * v)  # both signs of v
        speed = math.sqrt((rho * math.sin(psi)) ** 2 + 0.25 * da**2 + v**2)
        # four quarters of psi over 2 pi
        return (2.0 / np.pi) * distance(rho, disc) * offset * plane * speed / (1.5 * da)

    spacing, drift = 2.0 * np.pi * A / satellites, 1.5 * MOTION * days * DAY
    passes = [k for k in range(1, int(2.0 * disc * drift / spacing) + 1) if k % satellites]
    assert passes[-1] == last
    expected = 0.0
    for k in passes:
        least = k * spacing / drift

        def angles(rho, least=least):
            return (0.0, np.arccos(least / rho))

        accuracy = [{"epsrel": 1e-4}] * 3
        ranges = [(0.0, 2.0 * across), angles, (least, 2.0 * disc)]
        expected += np.pi * bodies**2 * integrate.nquad(integrand, ranges, opts=accuracy)[0]
    found = collisions_of_fault(tolerances, faults, satellites=satellites, radius_km=A, bodies_km=bodies, **POLAR)
    assert found == pytest.approx(expected, rel=1e-4)


def drawn(rng, form, size, count):
    """Differences of two independent vectors, shape (2, count)."""
    if form == "normal":
        return np.sqrt(2.0) * size * rng.standard_normal((2, count))
    length, angle = size * np.sqrt(rng.uniform(size=(2, count))), rng.uniform(0.0, 2.0 * np.pi, (2, count))
    first, second = length * np.stack([np.cos(angle), np.sin(angle)])  # components, of two vectors each
    return np.stack([first[0] - first[1], second[0] - second[1]])


def walked_passes(form, eccentricity, across, offset, days, satellites, bodies, *, seed, count):
    """Monte Carlo: mean hits of a fault and its standard error, along Hill's motion in small steps.

    The solution from an initial state is that of Clohessy and Wiltshire (1960; D. A. Vallado, Fundamentals of
    Astrodynamics and Applications, 4th ed. 2013, Algorithm 48), its constants of motion are drawn. Offsets are drawn
    evenly as far as they can meet, and weighted.
    """
    rng = np.random.default_rng(seed)
    span, spacing = days * DAY, 2.0 * np.pi * A / satellites
    swing = A * eccentricity
    most = (2.0 * swing if form == "bounded" else 6.0 * swing) + bodies
    hits, batch = [], 2000
    for _ in range(count // batch):
        da = rng.uniform(0.0, most, batch)
        weight = 2.0 * most * stats.norm.pdf(da, 0.0, offset)
        (radial, turned), (z, z_speed) = drawn(rng, form, swing, batch), drawn(rng, form, across, batch)
        # x oscillates by 3 x0 + 2 y0' / n and x0' / n about 4 x0 + 2 y0' / n, y0 - 2 x0' / n is at the own slot
        x0, x_speed = da - radial, MOTION * turned
        y_speed = 0.5 * MOTION * (da - 4.0 * x0)
        y0 = 2.0 * x_speed / MOTION
        found = np.zeros(batch)
        passes = int(1.5 * MOTION * most * span / spacing) + 1
        for k in range(1, passes + 1):
            near = 2.0 * np.hypot(radial, turned) + 2.0 * bodies
            with np.errstate(divide="ignore"):
                first, last = ((k * spacing + side * near) / (1.5 * MOTION * da) for side in (-1.0, 1.0))
            rows = np.flatnonzero((first < span) & (np.hypot(radial, turned) > da - bodies))
            if not rows.size:
                continue
            # times of equal steps, of which those beyond the fault do not count
            steps = int(np.ceil((np.minimum(last, span) - first)[rows].max() / 20.0)) + 1
            t = (first[rows, None] + 20.0 * np.arange(steps)) * np.ones((rows.size, 1))
            sine, cosine = np.sin(MOTION * t), np.cos(MOTION * t)

            def of(values, rows=rows):
                return values[rows, None]

            x = (
                of(x_speed) / MOTION * sine
                - (3.0 * of(x0) + 2.0 * of(y_speed) / MOTION) * cosine
                + (4.0 * of(x0) + 2.0 * of(y_speed) / MOTION)
            )
            y = (
                (6.0 * of(x0) + 4.0 * of(y_speed) / MOTION) * sine
                + 2.0 * of(x_speed) / MOTION * cosine
                - (6.0 * MOTION * of(x0) + 3.0 * of(y_speed)) * t
                + (of(y0) - 2.0 * of(x_speed) / MOTION)
                + k * spacing
            )
            place = np.stack([x, y, of(z) * cosine + of(z_speed) * sine])
            start, way = place[..., :-1], np.diff(place, axis=-1)
            share = np.clip(-(start * way).sum(axis=0) / (way**2).sum(axis=0), 0.0, 1.0)
            inside = (((start + share * way) ** 2).sum(axis=0) < bodies**2) & (t[:, 1:] < span)
            found[rows] += (inside[:, 1:] & ~inside[:, :-1]).sum(axis=1) + inside[:, 0]
        hits.append(weight * found)
    values = np.concatenate(hits)
    return values.mean(), values.std() / np.sqrt(values.size)


@pytest.mark.parametrize(
    ("seed", "form", "across"),
    [(1, "bounded", 0.0), (2, "bounded", 0.12), (3, "bounded", 0.4), (4, "normal", 0.0), (5, "normal", 0.2)],
)
def test_hills_motion_by_monte_carlo(seed, form, across):
    # Monte Carlo: bodies of 120 m, flat, of the size of the departures across the track, and far below them.
    eccentricity = 1.6e-4 if form == "bounded" else 0.8e-4
    walk = walked_passes(form, eccentricity, across, 1.5, 2.0, 200, 0.12, seed=[11, seed], count=200_000)
    tolerances = Tolerances(form, 0.0, eccentricity, cross_track_km=across)
    asked = {"satellites": 200, "radius_km": A, "bodies_km": 0.12, **POLAR}
    found = collisions_of_fault(tolerances, ControlFaults(0.01, 1.5, 2.0), **asked)
    assert abs(found - walk[0]) < 3.0 * walk[1]


@pytest.mark.long
@pytest.mark.parametrize(("across", "inclination"), [(0.0, 90.0), (4.0, 90.0), (0.0, 53.0), (4.0, 53.0)])
def test_exact_search_of_propagated_orbits(across, inclination):
    # Slow twin: real orbits in all zonals, healthy satellites on their own eccentricity vectors, faulty ones that start
    # in a slot with drawn offsets; approaches counted instead of hits. Nodes part where the plane is not polar.
    rng = np.random.default_rng([31, int(across), int(inclination)])
    satellites, faulty, days, within, offset, disc = 40, 40_000, 5.0, 1.0, 12.0, 2e-3

    def vectors(size, count):
        length, angle = size * np.sqrt(rng.uniform(size=count)), rng.uniform(0.0, 2.0 * np.pi, count)
        return length * np.cos(angle), length * np.sin(angle)

    def plane_of(slots, offsets):
        count = len(slots)
        tilt, turn = vectors(np.degrees(across / A), count)
        node = 20.0 + turn / np.sin(np.radians(inclination))
        along = 13.0 + slots * 360.0 / satellites - turn / np.tan(np.radians(inclination))
        return np.column_stack([A + offsets, *vectors(disc, count), inclination + tilt, node, along])

    asked = {"area_to_mass": 0.0}
    slots = rng.integers(0, satellites, faulty)
    healthy = objects_of(plane_of(np.arange(satellites), np.zeros(satellites)), first=1, **asked)
    drifting = objects_of(plane_of(slots, rng.normal(0.0, offset, faulty)), first=100, **asked)
    forces = shells.Forces(drag=False, sun=False, moon=False, radiation=False)
    moved = [shells.propagate(one, years=days / 365.25, forces=forces).compute() for one in (drifting, healthy)]
    found = shells.find_approaches(*moved, within_km=within)
    # numbers of both, whichever is first
    low, high = np.sort(np.stack([found["first"].values, found["second"].values]), axis=0)
    others = low - 1 != slots[high - 100]
    counts = np.bincount(high[others] - 100, minlength=faulty)
    tolerances = Tolerances("bounded", 0.0, disc, cross_track_km=across)
    expected = collisions_of_fault(
        tolerances,
        ControlFaults(0.1, offset, days),
        satellites=satellites,
        radius_km=A,
        bodies_km=within,
        inclination_deg=inclination,
        node_rate_deg_per_day=float(moved[1]["raan_rate"].mean()),
    )
    error = counts.std() / np.sqrt(faulty)
    assert abs(expected - counts.mean()) < 3.0 * error


def test_nodes_part():
    # Closed form: of planes that are one but for a parting s far above the bodies, the density at no distance is that
    # of a vector of fixed length that turns evenly, 1 / (pi s), and its speed n s.
    faults, bodies = ControlFaults(0.01, 5.0, 7.0), 1e-4
    asked = {"satellites": 50, "radius_km": A, "bodies_km": bodies, "inclination_deg": 53.0}
    flat = Tolerances("bounded", 0.0, 1e-4)
    # of a very fast node the speed across the track is all there is: n s / (pi s), whatever the parting
    fast = [collisions_of_fault(flat, faults, **asked, node_rate_deg_per_day=rate) for rate in (-5e3, 1e4)]
    assert fast[0] == pytest.approx(fast[1], rel=1e-5, abs=0.0)
    # fuzzy planes part too, and no longer matter where the parting is far beyond them
    fuzzy = replace(flat, cross_track_km=0.3)
    slow = [collisions_of_fault(one, faults, **asked, node_rate_deg_per_day=-1e3) for one in (flat, fuzzy)]
    assert slow[0] == pytest.approx(slow[1], rel=1e-4, abs=0.0)


def test_bodies_as_large_as_departures():
    # Property: the flat limit is reached as departures across the track vanish, and more of them never makes it worse.
    faults = ControlFaults()
    asked = {"satellites": 50, "radius_km": A, "bodies_km": 0.003, **POLAR}
    for form in ("bounded", "normal"):
        flat = Tolerances(form, 50.0, 1e-4)
        numbers = [
            collisions_of_fault(replace(flat, cross_track_km=size), faults, **asked)
            for size in (0.0, 1e-7, 1e-3, 3e-3, 0.01, 0.1)
        ]
        assert numbers[1] == pytest.approx(numbers[0], rel=1e-4)
        assert numbers[1:] == sorted(numbers[1:], reverse=True)
    # where bodies are small the number goes with their square
    small, large = (
        collisions_of_fault(replace(flat, cross_track_km=2.0), faults, **{**asked, "bodies_km": size})
        for size in (1e-3, 3e-3)
    )
    assert large == pytest.approx(9.0 * small, rel=1e-4)


def test_nobody_is_met():
    asked = {"satellites": 50, "radius_km": A, "bodies_km": 0.003, **POLAR}
    tolerances, faults = Tolerances("bounded", 50.0, 1e-4), ControlFaults()
    assert collisions_of_fault(tolerances, faults, **asked) > 0.0
    # too short to reach the neighbour with an offset of twice the disc, 1.516 km: 5.02 days
    assert collisions_of_fault(tolerances, replace(faults, duration_days=5.0), **asked) == 0.0
    assert collisions_of_fault(tolerances, replace(faults, duration_days=5.1), **asked) > 0.0
    # no time, no offset, no difference of eccentricity, nobody there
    assert collisions_of_fault(tolerances, replace(faults, duration_days=0.0), **asked) == 0.0
    assert collisions_of_fault(Tolerances("normal", 0.0, 1e-4), replace(faults, offset_km=0.0), **asked) == 0.0
    assert collisions_of_fault(Tolerances("normal", 50.0, 0.0), faults, **asked) == 0.0
    alone = collisions_of_fault(tolerances, replace(faults, duration_days=1e4), **{**asked, "satellites": 1})
    assert alone == pytest.approx(0.0, abs=1e-12)
    assert collisions_in_own_planes(tolerances, ControlFaults(0.0), planes=3, **asked) == 0.0
