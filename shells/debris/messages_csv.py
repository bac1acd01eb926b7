"""CCSDS Orbit Mean-elements Messages as CSV: one line of keywords, then one line a message.

A cell cannot hold the end of a line: no catalogue has such cells.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator

from shells.debris.lines import Line
from shells.debris.orbit_messages import KEYWORDS, LONGEST_LINE, MANDATORY, message_record, rejected_message
from shells.debris.records import ElementRecord, RecordError, Rejected, shortened
from shells.errors import CatalogueError


def read_csv(lines: Iterable[Line], *, source: str) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of an OMM CSV file, and every line that is none.

    Parameters
    ----------
    lines : iterable of Line
        As `bounded_lines` gives them; the first that is not blank is the header.
    source : str
        Name of the file, for messages.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file.

    Raises
    ------
    CatalogueError
        The header cannot be read, lacks mandatory keywords or repeats one.
    """
    columns: list[str] = []
    for line in lines:
        if not line.text:
            continue
        if line.overlong:
            detail = f"longer than {LONGEST_LINE} characters"
            yield Rejected(line.number, "", "", shortened(line.text), "line too long", detail)
        elif not columns:
            columns = _header(line.text, source)
        else:
            yield _csv_record(columns, line)


def _header(text: str, source: str) -> list[str]:
    try:
        columns = [cell.strip() for cell in next(csv.reader([text]))]
    except csv.Error as error:
        raise CatalogueError(f"{source}: the CSV header cannot be read ({error}); expected OMM keywords") from None
    missing = [keyword for keyword in MANDATORY if keyword not in columns]
    repeated = [column for column, count in Counter(columns).items() if count > 1 and column in KEYWORDS]
    faults = [
        f"{what} {', '.join(keywords)}" for what, keywords in (("lacks", missing), ("repeats", repeated)) if keywords
    ]
    if faults:
        raise CatalogueError(
            f"{source}: the CSV header {' and '.join(faults)}; expected the OMM keywords {', '.join(MANDATORY)}"
        )
    return columns


def _csv_record(columns: list[str], line: Line) -> ElementRecord | Rejected:
    try:
        cells = next(csv.reader([line.text], strict=True))
    except (csv.Error, StopIteration) as error:
        return Rejected(line.number, "", "", shortened(line.text), "row not readable", f"{error}; expected CSV")
    fields = dict(zip(columns, cells, strict=False))
    if len(cells) != len(columns):
        detail = f"{len(cells)} cells, expected {len(columns)} as in the header"
        return rejected_message(line.number, fields, line.text, RecordError("row not readable", detail))
    return message_record(line.number, fields, line.text, stated=False)
