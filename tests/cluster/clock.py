"""`shells` with a clock that jumps: a month ahead after some seconds, then two months back; for the test of faults."""

import time

AHEAD = 30.0 * 86400.0
_true = time.time
_begun = time.monotonic()


def _jumping():
    passed = time.monotonic() - _begun
    return _true() + (0.0 if passed < 4.0 else AHEAD if passed < 7.0 else -AHEAD)


time.time = _jumping  # before anything else is imported, and keeps it

if __name__ == "__main__":
    from datetime import UTC, datetime

    from shells.cli import main
    from shells.study import provenance

    provenance.now = lambda: provenance.written(datetime.fromtimestamp(time.time(), UTC))
    main()
