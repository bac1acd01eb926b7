"""The debris of a study: drawn from a seed, or read from its catalogue."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from shells.errors import CatalogueError
from shells.study.configuration import DemoDebris, Study
from shells.study.summary import start_of

#: SGP4 carries element sets this far back to the start of a study; farther, phases and heights are lost [days].
FARTHEST_BACK_DAYS = 30


def load(study: Study, seed: int) -> xr.Dataset:
    """Return the debris of a study.

    Parameters
    ----------
    study : Study
        A study with debris.
    seed : int
        Of an invented population.

    Returns
    -------
    Dataset
        OBJECTS at the start of the study; those of a catalogue at its median epoch where that is earlier, for the
        library's own forces carry them over months and years better than SGP4.

    Raises
    ------
    CatalogueError
        The catalogue cannot be read, or is of a time long after the start.
    """
    if isinstance(study.debris, DemoDebris):
        from shells.debris.demo import demo_debris

        return demo_debris(count=study.debris.count, seed=seed, epoch=start_of(study))
    assert study.catalogue is not None
    return _catalogue(study.catalogue, start_of(study))


def _catalogue(path: Path, start: np.datetime64) -> xr.Dataset:
    from shells.debris.catalogue import read_catalogue
    from shells.debris.element_sets import read_element_sets

    epochs = np.sort(read_element_sets(path).epochs)
    day = epochs[len(epochs) // 2].astype("datetime64[D]").astype("datetime64[ns]")
    late = (day - start) / np.timedelta64(1, "D")
    if late > FARTHEST_BACK_DAYS:
        raise CatalogueError(
            f"{path}: its median epoch {day.astype('datetime64[D]')} is {late:.0f} days after the start of the study, "
            f"{start.astype('datetime64[s]')}; expected at most {FARTHEST_BACK_DAYS} days. Set study.start to a later "
            "day or use an older catalogue."
        )
    return read_catalogue(path, at=min(day, start))
