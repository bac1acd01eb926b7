"""Objects for tests: elements chosen so that no term is zero."""

import numpy as np

from shells.schema import OBJECTS

EPOCH = np.datetime64("2026-03-01T06:00:00", "ns")


def objects_of(elements, *, plane=None, held=False, first=1, area_to_mass=0.01, radius=1.0, kind="debris"):
    """Return Objects of rows ``[a km, ex, ey, i deg, raan deg, u deg]``."""
    elements = np.atleast_2d(np.asarray(elements, dtype=float))
    count = len(elements)
    never = np.full(count, np.datetime64("NaT", "ns"))
    return OBJECTS.build(
        {
            "object": np.arange(first, first + count),
            "epoch": EPOCH,
            "semi_major_axis": elements[:, 0],
            "eccentricity_x": elements[:, 1],
            "eccentricity_y": elements[:, 2],
            "inclination": elements[:, 3],
            "raan": elements[:, 4] % 360.0,
            "mean_argument_of_latitude": elements[:, 5] % 360.0,
            "mass": np.full(count, np.nan),
            "drag_area": np.full(count, np.nan),
            "radiation_area": np.full(count, np.nan),
            "area_to_mass": np.full(count, area_to_mass),
            "drag_coefficient": np.full(count, 2.2),
            "reflectivity_coefficient": np.full(count, 1.3),
            "hard_body_radius": np.full(count, radius),
            "plane": np.full(count, -1) if plane is None else np.asarray(plane),
            "slot": np.full(count, -1),
            "held_from": np.full(count, EPOCH) if held else never,
            "held_until": np.full(count, np.datetime64("2100-01-01", "ns")) if held else never,
            "kind": np.full(count, kind),
            "name": np.full(count, "TEST"),
        }
    )


def random_elements(rng, count, *, perigee=(500.0, 1500.0), eccentricity=(0.0, 0.02), inclination=(1.0, 179.0)):
    """Return random rows ``[a km, ex, ey, i deg, raan deg, u deg]`` with perigee heights in km."""
    e = rng.uniform(*eccentricity, count)
    w = rng.uniform(0.0, 2.0 * np.pi, count)
    a = (6378.137 + rng.uniform(*perigee, count)) / (1.0 - e)
    angles = rng.uniform(0.0, 360.0, (count, 2))
    return np.column_stack([a, e * np.cos(w), e * np.sin(w), rng.uniform(*inclination, count), angles])


def small_fleet(*, planes=4, satellites=12, altitude=1060.0, step=0.8, inclination=86.5, held=True, first=1):
    """Return a stacked star fleet with frozen-like eccentricity, every plane on one orbit."""
    rows, plane = [], []
    for p in range(planes):
        for s in range(satellites):
            phase = s * 360.0 / satellites + 7.3 * p
            rows.append(
                [
                    7438.0 + altitude - 1060.0 + step * p,
                    1e-5,
                    1.16e-3,
                    inclination + 0.01 * p,
                    180.0 / planes * p,
                    phase,
                ]
            )
            plane.append(p)
    return objects_of(rows, plane=plane, held=held, first=first, kind="fleet")
