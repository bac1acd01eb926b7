"""Equinoctial elements, regular for circular and equatorial orbits, and the public set as a view of them."""
