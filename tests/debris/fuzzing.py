"""One run of the catalogue reader on any bytes, and what has to hold whatever they are.

`examine` is what every fuzzer of the tests calls: it raises where the reader shows a traceback that is not its own
error, or where a record of the file is neither read nor rejected. The records are counted here by other means than the
reader's own: lines, the json module, the XML parser of the standard library.
"""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path
from random import Random
from xml.etree import ElementTree

from shells.debris.element_sets import read_element_sets
from shells.errors import CatalogueError
from tests.debris.written import FORMS, message, two_lines


def seeds() -> list[bytes]:
    """Return valid files of every form to start from, two sets each."""
    sets = [message(name, number=number) for name, number in (("ALPHA <B>&", 5), ("BETA DEB", 180_014))]
    lines = [line for name, number in (("0 ALPHA", 5), ("BETA", 6)) for line in (name, *two_lines(number=number))]
    with_units = FORMS["OMM KVN"](sets).replace("INCLINATION = 74.03", "COMMENT x\n\nINCLINATION = 74.03 [deg]")
    attributes = FORMS["OMM XML"](sets).replace("<INCLINATION>", '<INCLINATION units="deg">')
    texts = [*(form(sets) for form in FORMS.values()), "\n".join(lines), with_units, attributes]
    return [text.encode() for text in texts]


#: What readers of text, numbers, JSON and XML are known to stumble over.
TOKENS = (
    *(
        b"\x00",
        b"\r",
        b"\r\n",
        b"\n\n",
        b"\xef\xbb\xbf",
        b"\xff",
        b"\xed\xa0\x80",
        b"\x1b[2J",
        b"\xe2\x80\xa8",
        b"\t",
        b"\f",
    ),
    *(b"NaN", b"-inf", b"1e999", b"-0", b"9" * 5000, b"0x1", b"1_0", b"\xd9\xa3", b"."),
    *(b"[" * 2000, b"{}", b'{"a":', b"]", b"}", b",", b'"', b"\\ud800", b"null", b"true"),
    *(
        b"<omm>",
        b"</omm>",
        b"<ndm>",
        b"</ndm>",
        b"<oem/>",
        b"<!DOCTYPE a>",
        b"&lt;",
        b"&a;",
        b"<![CDATA[",
        b"<!--",
        b"<?a b?>",
    ),
    *(b"<BSTAR>", b"</BSTAR>", b' units="rad"', b' xmlns="a"', b"<a:omm xmlns:a='b'>", b"<a>" * 30),
    *(
        b"CCSDS_OMM_VERS = 2.0\n",
        b"CCSDS_OEM_VERS = 2.0\n",
        b"COMMENT ",
        b"USER_DEFINED_A = 1\n",
        b" = ",
        b" [rad]",
        b"[[",
    ),
    *(b"BSTAR", b"MEAN_MOTION", b"EPOCH = ", b"2000-366T00:00:60Z", b"1 ", b"2 ", b"0 ", b"\n1 ", b"\n2 ", b"#"),
)


def mutated(content: bytes, other: bytes, random: Random) -> bytes:
    """Return the bytes with one change: a token put in, a piece gone or twice, a byte changed, spliced, packed."""
    start = random.randrange(len(content) + 1)
    stop = min(len(content), start + random.choice((1, 1, 4, 20, 100, len(content))))
    match random.randrange(8):
        case 0 | 1:
            return content[:start] + random.choice(TOKENS) + content[start:]
        case 2:
            return content[:start] + random.choice(TOKENS) + content[stop:]
        case 3:
            return content[:start] + content[stop:]
        case 4:
            place = random.randrange(len(content) + 1)
            return content[:place] + content[start:stop] + content[place:]
        case 5:
            return content[:start] + random.randbytes(1) + content[start + 1 :]
        case 6:
            return content[:start] + other[random.randrange(len(other) + 1) :]
        case _:
            lines = content.split(b"\n")
            random.shuffle(lines)
            return b"\n".join(lines) if random.random() < 0.5 else gzip.compress(content, mtime=0)


def examine(content: bytes, path: Path) -> str:
    """Read the bytes as a file; return what came of it, raise where something is lost."""
    path.write_bytes(content)
    try:
        sets = read_element_sets(path)
    except CatalogueError as error:
        assert str(error).isprintable(), f"not printable: {error!r}"
        return "refused"
    for text in (*sets.names, *sets.designators, *(str(one) for record in sets.rejected for one in record)):
        assert text.isprintable(), f"not printable: {text!r}"
    if content.startswith(b"\x1f\x8b"):
        content = gzip.decompress(content)
    accounted = len(sets) + len(sets.rejected)
    expected = _LEAST_RECORDS[sets.format](content)
    assert accounted >= expected, f"{sets.format}: {expected} records, {accounted} accounted for"
    assert sets.lines.size == 0 or 1 <= sets.lines.min() <= sets.lines.max() <= content.count(b"\n") + 1
    return sets.format


def _lines(content: bytes) -> list[str]:
    return [line.rstrip() for line in content.decode("utf-8-sig", "replace").split("\n")]


def _two_line_records(content: bytes) -> int:
    """Sets have one line 1 and one line 2: there are no fewer of them than of either."""
    found = [line[:2] for line in _lines(content) if len(line) > 26]
    return max(found.count("1 "), found.count("2 "))


def _csv_records(content: bytes) -> int:
    return sum(bool(line) for line in _lines(content)) - 1


def _json_records(content: bytes) -> int:
    found = json.loads(content.decode("utf-8-sig", "replace"))
    return len(found) if isinstance(found, list) else 1


def _kvn_records(content: bytes) -> int:
    return sum(bool(re.match(r"\s*CCSDS_[A-Z]+_VERS\s*=", line, re.IGNORECASE)) for line in _lines(content))


def _xml_records(content: bytes) -> int:
    root = ElementTree.fromstring(content.decode("utf-8-sig", "replace"))
    return 1 if root.tag.endswith("omm") else sum(child.tag.endswith("omm") for child in root)


_LEAST_RECORDS = {
    "TLE": _two_line_records,
    "OMM CSV": _csv_records,
    "OMM JSON": _json_records,
    "OMM KVN": _kvn_records,
    "OMM XML": _xml_records,
}
