"""Settings of all tests."""

from hypothesis import settings

# the same cases at every run, so that a failure is a change
settings.register_profile("repeatable", derandomize=True, deadline=None, database=None)
settings.load_profile("repeatable")
