"""Kinds of objects from names."""

import pytest

from shells.debris.kinds import HARD_BODY_RADII, kind_of_name


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("EXAMPLE 3", "payload"),
        ("DEBORAH 1", "payload"),
        ("EXAMPLE 3 DEB", "debris"),
        ("STAGE R/B DEB", "debris"),
        ("STAGE DEB (ADAPTER)", "debris"),
        ("EXAMPLE COOLANT", "debris"),
        ("EXAMPLE FUEL CORE", "debris"),
        ("STAGE R/B", "rocket body"),
        ("STAGE R/B(2)", "rocket body"),
        ("EXAMPLE 1 AKM", "rocket body"),
        ("STAGE PLAT", "rocket body"),
        ("stage r/b", "rocket body"),
        ("", "unknown"),
        ("   ", "unknown"),
        ("OBJECT A", "unknown"),
        ("OBJECT ABC", "unknown"),
        ("TBA - TO BE ASSIGNED", "unknown"),
        ("UNKNOWN", "unknown"),
    ],
)
def test_limits_kind_of_name(name, kind):
    assert kind_of_name(name) == kind


def test_every_kind_has_a_radius_marked_as_assumed():
    assert set(HARD_BODY_RADII) == {"payload", "rocket body", "debris", "unknown"}
    assert all("assumed" in radius.source and radius.unit == "m" for radius in HARD_BODY_RADII.values())
