"""Settings of all tests."""

import signal

from hypothesis import settings

# the same cases at every run, so that a failure is a change
settings.register_profile("repeatable", derandomize=True, deadline=None, database=None)
settings.load_profile("repeatable")

# a shell that starts the tests in the background lets them ignore Ctrl-C, and their children too
signal.signal(signal.SIGINT, signal.default_int_handler)
