"""Times as users give them, made one type: datetime64[ns], UTC."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from shells.errors import InputError

#: Years that element sets and studies can be about; datetime64[ns] ends in 2262.
FIRST_YEAR, LAST_YEAR = 1957, 2200


def utc_instant(time: np.datetime64 | datetime | str, *, where: str) -> np.datetime64:
    """Return a time as datetime64[ns], UTC.

    Parameters
    ----------
    time : datetime64, datetime or str
        UTC where it has no zone of its own; text as ISO 8601.
    where : str
        Function and argument, for the message.

    Returns
    -------
    datetime64
        To the microsecond where given as datetime or text, else exact.

    Raises
    ------
    InputError
        It is no time, or outside 1957 to 2200.
    """
    instant = time if isinstance(time, np.datetime64) else _from_python(time)
    if np.isnat(instant) or not FIRST_YEAR <= int(str(instant.astype("datetime64[Y]"))) <= LAST_YEAR:
        raise InputError(
            f"{where} = {time!r}; expected a UTC time between {FIRST_YEAR} and {LAST_YEAR}, such as "
            "'2026-01-31T12:00:00'"
        )
    exact: np.datetime64 = instant.astype("datetime64[ns]")
    return exact


def _from_python(time: datetime | str) -> np.datetime64:
    try:
        instant = time if isinstance(time, datetime) else datetime.fromisoformat(time)
    except (ValueError, TypeError):
        return np.datetime64("NaT", "us")
    if instant.tzinfo is not None:
        instant = instant.astimezone(UTC).replace(tzinfo=None)
    return np.datetime64(instant, "us")
