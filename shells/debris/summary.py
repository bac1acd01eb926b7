"""What a catalogue file holds, in counts: what a user sees before anything is propagated."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from shells.debris.element_sets import ElementSets
from shells.debris.kinds import kind_of_name

#: Upper limit of the perigee altitudes that this library is about [km].
LOW_ORBIT_KM = 2000.0

#: Edges of the bands of perigee altitude [km]; below the first and above the last edge a band is open.
BAND_EDGES_KM = (200.0, 400.0, 600.0, 800.0, 1000.0, 1200.0, 1400.0, 1600.0, LOW_ORBIT_KM)


@dataclass(frozen=True)
class Band:
    """Number of element sets with perigee in a band of altitude.

    Parameters
    ----------
    low_km, high_km : float
        Perigee altitude from, and below [km]; infinite where open.
    count : int
        Element sets.
    """

    low_km: float
    high_km: float
    count: int


@dataclass(frozen=True)
class Summary:
    """Counts of a catalogue file.

    Parameters
    ----------
    file, format : str
        Name of the file, and what it was recognised as.
    read : int
        Usable element sets.
    objects : int
        Different catalogue numbers among them.
    alpha5 : int
        Sets whose number was written in Alpha-5.
    below_2000_km : int
        Sets with perigee altitude under 2000 km: a (1 - e) - 6378.135 km, a from SGP4's own mean motion.
    first_epoch, last_epoch : datetime64
        Earliest and latest epoch, UTC.
    kinds : dict of str to int
        Sets by kind, as far as names tell, most frequent first.
    bands : tuple of Band
        Sets by perigee altitude.
    rejected : dict of str to int
        Records that cannot be used, by reason, most frequent first.
    """

    file: str
    format: str
    read: int
    objects: int
    alpha5: int
    below_2000_km: int
    first_epoch: np.datetime64
    last_epoch: np.datetime64
    kinds: dict[str, int]
    bands: tuple[Band, ...]
    rejected: dict[str, int]


def summarise(element_sets: ElementSets) -> Summary:
    """Count what a catalogue file holds.

    Parameters
    ----------
    element_sets : ElementSets
        As `read_element_sets` gives them.

    Returns
    -------
    Summary
        Counts by kind, altitude and reason of rejection.
    """
    perigees = element_sets.perigee_altitudes
    edges = (-np.inf, *BAND_EDGES_KM, np.inf)
    return Summary(
        file=element_sets.file,
        format=element_sets.format,
        read=len(element_sets),
        objects=int(np.unique(element_sets.identifiers).size),
        alpha5=int(element_sets.alpha5.sum()),
        below_2000_km=int((perigees < LOW_ORBIT_KM).sum()),
        first_epoch=element_sets.epochs.min(),
        last_epoch=element_sets.epochs.max(),
        kinds=dict(Counter(kind_of_name(name) for name in element_sets.names).most_common()),
        bands=tuple(
            Band(low, high, int(((perigees >= low) & (perigees < high)).sum())) for low, high in pairwise(edges)
        ),
        rejected=dict(Counter(record.reason for record in element_sets.rejected).most_common()),
    )
