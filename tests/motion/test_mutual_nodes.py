"""Where two planes cross."""

import numpy as np

from shells.motion.mutual_nodes import mutual_node


def test_against_vectors():
    # Slow twin: the line of both planes as a product of their normals, its place on each orbit by projection.
    rng = np.random.default_rng(7)
    inclinations = np.arccos(rng.uniform(-1.0, 1.0, (2, 200)))
    raan = rng.uniform(0.0, 2.0 * np.pi, (2, 200))
    node = mutual_node(*inclinations, raan[1] - raan[0])
    normals = np.moveaxis(
        np.array([np.sin(inclinations) * np.sin(raan), -np.sin(inclinations) * np.cos(raan), np.cos(inclinations)]),
        0,
        -1,
    )
    line = np.cross(*normals)
    np.testing.assert_allclose(node.sine, np.linalg.norm(line, axis=-1), rtol=0, atol=1e-13)
    np.testing.assert_allclose(node.cosine, (normals[0] * normals[1]).sum(axis=-1), rtol=0, atol=1e-13)
    places = []
    for normal, start, place in zip(normals, raan, (node.first, node.second), strict=True):
        ascending = np.stack([np.cos(start), np.sin(start), np.zeros(200)], axis=-1)
        ahead = np.cross(normal, ascending)
        places.append(np.cos(place)[:, None] * ascending + np.sin(place)[:, None] * ahead)
    np.testing.assert_allclose(*places, rtol=0, atol=1e-10)
    np.testing.assert_allclose(np.cross(places[0], line), 0.0, rtol=0, atol=1e-10)
