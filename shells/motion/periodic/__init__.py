"""Periodic: orbits that close in the meridian plane of the zonal field, found by shooting."""
