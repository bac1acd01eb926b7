"""Element sets of a catalogue file, ready for SGP4: the lower layer of `read_catalogue`.

The format is recognised from the content: TLE or 3LE, CCSDS OMM as KVN, XML, CSV or JSON, plain or gzip. Names and
texts come out without control characters, whatever the file holds: others show and store them. Elements are SGP4's own
(Brouwer mean elements with Kozai's mean motion, WGS-72, TEME, UTC) and stay inside the `Satrec` objects: everything
else in the library uses mean elements fitted to what SGP4 propagates (`shells.debris.fit`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import compress
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
from numpy.typing import NDArray
from sgp4.api import SGP4_ERRORS, WGS72, Satrec

from shells.debris import two_line
from shells.debris.lines import HEAD_BYTES, bounded_lines, opened, sha256
from shells.debris.messages_csv import read_csv
from shells.debris.messages_json import read_json
from shells.debris.messages_kvn import read_kvn
from shells.debris.messages_xml import read_xml
from shells.debris.orbit_messages import LONGEST_LINE, VERSION
from shells.debris.records import ElementRecord, Rejected, printable
from shells.errors import CatalogueError

Format = Literal["TLE", "OMM KVN", "OMM XML", "OMM CSV", "OMM JSON"]

#: Reason of a record that another one of the same object stands in for.
DUPLICATE = "duplicate"

#: A file with more useless records than this is no catalogue; the bound keeps their list small.
MOST_REJECTED = 100_000

#: A file with more usable sets than this is no catalogue: there are some 50,000 objects, and each set takes some 2 kB.
MOST_SETS = 2_000_000

#: sgp4init counts days from 1949-12-31T00:00 UTC, Julian date 2433281.5.
_SGP4_ZERO = np.datetime64("1949-12-31", "ns").astype(np.int64).item()
_SGP4_ZERO_JULIAN = 2433281.5
_NANOSECONDS_PER_DAY = 86_400_000_000_000

_XML_ROOT = re.compile(r"<(?:[\w.-]+:)?(?:ndm|omm)[\s/>]")
_KVN_BEGINNING = re.compile(rf"^\s*{VERSION}\s*=", re.MULTILINE | re.IGNORECASE)

#: SGP4 refuses numbers beyond 339999 and does not use them: every satellite gets this one.
_DUMMY_NUMBER = 0

#: Earth radius that SGP4's own quantities are counted in [km]: WGS-72.
WGS72_RADIUS_KM = 6378.135


@dataclass(frozen=True, eq=False)
class ElementSets:
    """What a catalogue file holds.

    Parameters
    ----------
    file : str
        Name of the file, without directories.
    file_sha256 : str
        Checksum of the file as it lies on disk.
    format : str
        "TLE" (with or without name lines), "OMM KVN", "OMM XML", "OMM CSV" or "OMM JSON".
    identifiers : ndarray of int64, (set,)
        Catalogue numbers, up to nine digits.
    names, designators : tuple of str, (set,)
        Names and international designators, empty where the catalogue has none.
    epochs : ndarray of datetime64[ns], (set,)
        Epochs, UTC.
    lines : ndarray of int64, (set,)
        Line of the file where each set begins.
    alpha5 : ndarray of bool, (set,)
        Whether the number was written in Alpha-5.
    satellites : tuple of Satrec, (set,)
        sgp4's objects, initialised with WGS-72 in improved mode; their own number is a dummy.
    rejected : tuple of Rejected
        Records that cannot be used, in the order of the file; nothing else of the file is left out.
    """

    file: str
    file_sha256: str
    format: Format
    identifiers: NDArray[np.int64]
    names: tuple[str, ...]
    designators: tuple[str, ...]
    epochs: NDArray[np.datetime64]
    lines: NDArray[np.int64]
    alpha5: NDArray[np.bool_]
    satellites: tuple[Any, ...]
    rejected: tuple[Rejected, ...]

    def __len__(self) -> int:
        return len(self.satellites)

    @property
    def perigee_altitudes(self) -> NDArray[np.float64]:
        """Perigee altitude a (1 - e) - 6378.135 km [km], a from SGP4's own (un-Kozai'd) mean motion and WGS-72."""
        return np.array([satellite.altp for satellite in self.satellites]) * WGS72_RADIUS_KM

    @property
    def drag_terms(self) -> NDArray[np.float64]:
        """SGP4's drag terms B* [earth_radius-1]."""
        return np.array([satellite.bstar for satellite in self.satellites])

    def without(self, unusable: NDArray[np.bool_], reason: str, details: Iterable[str]) -> ElementSets:
        """Return the sets left when some are rejected.

        Parameters
        ----------
        unusable : ndarray of bool, (set,)
            Which to reject.
        reason : str
            Why, for all of them.
        details : iterable of str
            What was found, one for each rejected set in their order.

        Returns
        -------
        ElementSets
            The rest, with the rejected ones listed in the order of the file.
        """
        new = [
            Rejected(int(self.lines[k]), str(self.identifiers[k]), self.names[k], "", reason, detail)
            for k, detail in zip(np.flatnonzero(unusable), details, strict=True)
        ]
        kept = ~unusable
        return ElementSets(
            file=self.file,
            file_sha256=self.file_sha256,
            format=self.format,
            identifiers=self.identifiers[kept],
            names=tuple(compress(self.names, kept)),
            designators=tuple(compress(self.designators, kept)),
            epochs=self.epochs[kept],
            lines=self.lines[kept],
            alpha5=self.alpha5[kept],
            satellites=tuple(compress(self.satellites, kept)),
            rejected=tuple(sorted([*self.rejected, *new], key=lambda rejected: rejected.line)),
        )

    def nearest_to(self, at: np.datetime64) -> ElementSets:
        """Return one set per object: that whose epoch is closest to a time, the later one of two equally close.

        Parameters
        ----------
        at : datetime64
            Time, UTC.

        Returns
        -------
        ElementSets
            In the order of the file; the others are rejected as duplicates.
        """
        distance = np.abs((self.epochs - at).astype(np.int64))
        # first by object, then by distance, then the later epoch, then the later record
        order = np.lexsort((-np.arange(len(self)), -self.epochs.astype(np.int64), distance, self.identifiers))
        first_of_object = np.ones(len(self), dtype=bool)
        first_of_object[1:] = self.identifiers[order][1:] != self.identifiers[order][:-1]
        duplicate = np.ones(len(self), dtype=bool)
        duplicate[order[first_of_object]] = False
        details = (f"epoch {epoch}, another set is closer to {at}" for epoch in self.epochs[duplicate])
        return self.without(duplicate, DUPLICATE, details)


def read_element_sets(path: str | Path) -> ElementSets:
    """Read the element sets of a catalogue file.

    Parameters
    ----------
    path : str or Path
        TLE or 3LE, CCSDS OMM as KVN, XML, CSV or JSON, plain or gzip; recognised from the content, whatever the name.

    Returns
    -------
    ElementSets
        Every set that can be used and every record that cannot. Sets for which SGP4 reports an error at their own epoch
        cannot; several sets of one object are all kept (see `ElementSets.nearest_to`).

    Raises
    ------
    CatalogueError
        The file is missing, cut, corrupt, of another format, beyond a limit, or holds no usable set.
    """
    path = Path(path)
    kept: list[tuple[ElementRecord, Any]] = []
    rejected: list[Rejected] = []
    with opened(path) as stream:
        file_format = _recognised(stream, path)
        for record in _records(stream, file_format, path.name):
            _sort_in(record, kept, rejected)
            if len(kept) > MOST_SETS:
                raise CatalogueError(f"{path}: more than {MOST_SETS} element sets; expected fewer, split the file")
            if len(rejected) > MOST_REJECTED:
                raise CatalogueError(
                    f"{path}: more than {MOST_REJECTED} records cannot be used; {_beginning(rejected)}"
                )
    if not kept:
        found = _beginning(rejected) if rejected else "found no record at all"
        raise CatalogueError(f"{path}: no usable element set in this {file_format} file; {found}")
    return ElementSets(
        file=printable(path.name),
        file_sha256=sha256(path),
        format=file_format,
        identifiers=np.array([record.identifier for record, _ in kept], dtype=np.int64),
        names=tuple(record.name for record, _ in kept),
        designators=tuple(record.designator for record, _ in kept),
        epochs=np.array([record.epoch_ns for record, _ in kept], dtype=np.int64).astype("datetime64[ns]"),
        lines=np.array([record.line for record, _ in kept], dtype=np.int64),
        alpha5=np.array([record.alpha5 for record, _ in kept], dtype=bool),
        satellites=tuple(satellite for _, satellite in kept),
        rejected=tuple(rejected),
    )


def _sort_in(record: ElementRecord | Rejected, kept: list[tuple[ElementRecord, Any]], rejected: list[Rejected]) -> None:
    if isinstance(record, Rejected):
        rejected.append(Rejected(record.line, *(printable(text) for text in record[1:])))
        return
    record = record._replace(name=printable(record.name), designator=printable(record.designator))
    satellite = _satellite(record)
    if satellite.error:
        detail = f"error {satellite.error}: {SGP4_ERRORS[satellite.error]}"
        rejected.append(Rejected(record.line, str(record.identifier), record.name, "", "SGP4 error at epoch", detail))
        return
    kept.append((record, satellite))


def _satellite(record: ElementRecord) -> Any:
    whole, nanoseconds = divmod(record.epoch_ns - _SGP4_ZERO, _NANOSECONDS_PER_DAY)
    fraction = nanoseconds / _NANOSECONDS_PER_DAY
    per_minute = 2.0 * math.pi / 1440.0
    satellite = Satrec()
    satellite.sgp4init(
        WGS72,
        "i",
        _DUMMY_NUMBER,
        whole + fraction,
        record.bstar,
        record.mean_motion_dot * per_minute / 1440.0,
        record.mean_motion_ddot * per_minute / 1440.0**2,
        record.eccentricity,
        math.radians(record.argument_of_perigee),
        math.radians(record.inclination),
        math.radians(record.mean_anomaly),
        record.mean_motion * per_minute,
        math.radians(record.raan),
    )
    # one number of days since 1949 holds the epoch to 0.3 us only: give sgp4 both parts in full
    satellite.jdsatepoch = _SGP4_ZERO_JULIAN + whole
    satellite.jdsatepochF = fraction
    return satellite


def _records(stream: IO[bytes], file_format: Format, source: str) -> Iterator[ElementRecord | Rejected]:
    match file_format:
        case "OMM JSON":
            return read_json(stream, source=source)
        case "OMM XML":
            return read_xml(stream, source=source)
        case "OMM CSV":
            return read_csv(bounded_lines(stream, limit=LONGEST_LINE), source=source)
        case "OMM KVN":
            return read_kvn(bounded_lines(stream, limit=LONGEST_LINE))
        case "TLE":
            return two_line.read_two_line(bounded_lines(stream, limit=two_line.LONGEST_LINE))


def _recognised(stream: IO[bytes], path: Path) -> Format:
    head = stream.read(HEAD_BYTES).decode("utf-8-sig", "replace")
    stream.seek(0)
    lines = [line.strip() for line in head.split("\n") if line.strip()]
    if not lines:
        raise CatalogueError(f"{path}: the file is empty; expected a catalogue of element sets")
    if lines[0][0] in "[{":
        return "OMM JSON"
    if lines[0][0] == "<" and _XML_ROOT.search(head):
        return "OMM XML"
    if "," in lines[0] and "MEAN_MOTION" in lines[0]:
        return "OMM CSV"
    if _KVN_BEGINNING.search(head):
        return "OMM KVN"
    if any(two_line.is_element_line(line) for line in lines):
        return "TLE"
    raise CatalogueError(
        f"{path}: no known catalogue format; it begins '{printable(lines[0][:80])}'; expected TLE or 3LE lines, or "
        "CCSDS OMM as KVN, XML, CSV (first line: keywords) or JSON; save the catalogue in one of these"
    )


def _beginning(rejected: list[Rejected]) -> str:
    first = "; ".join(f"line {one.line}: {one.reason} ({one.detail})" for one in rejected[:3])
    return f"{len(rejected)} rejected, the first: {first}"
