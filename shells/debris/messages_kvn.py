"""CCSDS Orbit Mean-elements Messages in KVN, keyword = value notation, one or many in a file.

CCSDS 502.0-B-3 (April 2023), sections 4 and 7: each message begins with `CCSDS_OMM_VERS`, a line holds one keyword and
its value, a unit may follow in brackets, comments and blank lines stand anywhere, the blocks of a message follow each
other in a fixed order. Keywords are taken in any case; within a block, their order says nothing and is not looked at.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from shells.debris.lines import Line
from shells.debris.orbit_messages import LONGEST_LINE, VERSION, WITH_UNIT, Message
from shells.debris.records import ElementRecord, Rejected, shortened

_BLOCKS = (
    ("header", (VERSION, "CLASSIFICATION", "CREATION_DATE", "ORIGINATOR", "MESSAGE_ID")),
    (
        "metadata",
        (
            "OBJECT_NAME",
            "OBJECT_ID",
            "CENTER_NAME",
            "REF_FRAME",
            "REF_FRAME_EPOCH",
            "TIME_SYSTEM",
            "MEAN_ELEMENT_THEORY",
        ),
    ),
    (
        "mean elements",
        (
            "EPOCH",
            "SEMI_MAJOR_AXIS",
            "MEAN_MOTION",
            "ECCENTRICITY",
            "INCLINATION",
            "RA_OF_ASC_NODE",
            "ARG_OF_PERICENTER",
            "MEAN_ANOMALY",
            "GM",
        ),
    ),
    ("spacecraft", ("MASS", "SOLAR_RAD_AREA", "SOLAR_RAD_COEFF", "DRAG_AREA", "DRAG_COEFF")),
    (
        "parameters of two-line elements",
        (
            "EPHEMERIS_TYPE",
            "CLASSIFICATION_TYPE",
            "NORAD_CAT_ID",
            "ELEMENT_SET_NO",
            "REV_AT_EPOCH",
            "BSTAR",
            "BTERM",
            "MEAN_MOTION_DOT",
            "MEAN_MOTION_DDOT",
            "AGOM",
        ),
    ),
)
_BLOCK_OF = {keyword: place for place, (_, keywords) in enumerate(_BLOCKS) for keyword in keywords}

#: What a message begins with, whichever it is: other messages of the same standards are no orbit for SGP4.
_BEGINS = re.compile(r"CCSDS_[A-Z]+_VERS")
_COMMENT = re.compile(r"COMMENT(?:\s|$)")


def read_kvn(lines: Iterable[Line]) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of an OMM KVN file, and every message that is none.

    Parameters
    ----------
    lines : iterable of Line
        As `bounded_lines` gives them.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file; text before the first message counts as one.
    """
    message: _Message | None = None
    for line in lines:
        written, equals, value = line.text.partition("=")
        keyword = written.strip().upper()
        if not line.text or (keyword.startswith("COMMENT") and _COMMENT.match(keyword + equals)):
            continue
        if message is None or (keyword.startswith("CCSDS") and _BEGINS.fullmatch(keyword)):
            if message:
                yield message.record()
            message = _Message(line, keyword)
        message.take_line(line, keyword, value.strip() if equals else None)
    if message:
        yield message.record()


class _Message(Message):
    """A message read line by line; its blocks have an order."""

    def __init__(self, line: Line, keyword: str) -> None:
        super().__init__(line.number, line.text)
        self._block = 0
        if keyword != VERSION:
            self.wrong(line.number, "not an OMM", f"begins '{shortened(line.text)}', expected {VERSION}")

    def take_line(self, line: Line, keyword: str, value: str | None) -> None:
        """Take one line: its keyword, and its value where there is one."""
        if line.overlong:
            self.wrong(line.number, "line too long", f"longer than {LONGEST_LINE} characters")
        elif value is None:
            self.wrong(line.number, "line not readable", f"'{shortened(line.text)}', expected KEYWORD = value")
        else:
            self.take(line.number, keyword, *_value_and_unit(keyword, value))
            self._check_order(line.number, keyword)

    def _check_order(self, line: int, keyword: str) -> None:
        block = _BLOCK_OF.get(keyword, self._block)
        if block < self._block:
            detail = f"{keyword} of the {_BLOCKS[block][0]} after the {_BLOCKS[self._block][0]}"
            self.wrong(line, "keyword out of order", detail)
        self._block = block


def _value_and_unit(keyword: str, value: str) -> tuple[str, str | None]:
    if keyword in WITH_UNIT and value.endswith("]"):
        number, bracket, unit = value[:-1].partition("[")
        if bracket:
            return number.strip(), unit
    return value, None
