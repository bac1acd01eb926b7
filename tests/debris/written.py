"""Element sets written as text by other hands than the reader's: sgp4's exporter, the modules csv, json and xml."""

from __future__ import annotations

import csv
import io
import json
import math
from datetime import datetime, timedelta
from typing import Any
from xml.etree import ElementTree

from sgp4.alpha5 import from_alpha5, to_alpha5
from sgp4.api import WGS72, Satrec
from sgp4.exporter import export_omm, export_tle

#: Days from sgp4init's zero, 1949-12-31, to 2021-10-01.
OCTOBER_2021 = 26207.0

_METADATA = ("OBJECT_NAME", "OBJECT_ID", "CENTER_NAME", "REF_FRAME", "TIME_SYSTEM", "MEAN_ELEMENT_THEORY")
_TLE_PARAMETERS = (
    "EPHEMERIS_TYPE",
    "CLASSIFICATION_TYPE",
    "NORAD_CAT_ID",
    "ELEMENT_SET_NO",
    "REV_AT_EPOCH",
    "BSTAR",
    "MEAN_MOTION_DOT",
    "MEAN_MOTION_DDOT",
)

DEFAULTS = {
    "number": 20001,
    "epoch": OCTOBER_2021 + 0.25,
    "bstar": 3.1e-5,
    "eccentricity": 0.0012,
    "perigee": 71.25,
    "inclination": 74.03,
    "anomaly": 33.5,
    "mean_motion": 14.25,
    "raan": 211.75,
}


def satellite(**changes: float) -> Any:
    """Return a Satrec of the default set with some values changed: degrees, revolutions per day, days."""
    values = DEFAULTS | changes
    made = Satrec()
    made.sgp4init(
        WGS72,
        "i",
        int(values["number"]),
        values["epoch"],
        values["bstar"],
        1.0e-6 * 2.0 * math.pi / 1440.0**2,
        0.0,
        values["eccentricity"],
        math.radians(values["perigee"]),
        math.radians(values["inclination"]),
        math.radians(values["anomaly"]),
        values["mean_motion"] * 2.0 * math.pi / 1440.0,
        math.radians(values["raan"]),
    )
    made.intldesg = "99025A"
    return made


def two_lines(**changes: float) -> tuple[str, str]:
    made = satellite(**changes)
    # sgp4 2.27 writes I and O for 18xxxx and 23xxxx, which Alpha-5 skips: its own to_alpha5 is right
    first, second = (line.replace(made.satnum_str, to_alpha5(made.satnum), 1) for line in export_tle(made))
    return with_checksum(first), with_checksum(second)


def message(name: str = "TEST OBJECT", **changes: float) -> dict[str, Any]:
    return export_omm(satellite(**changes), name)


def with_checksum(line: str) -> str:
    total = sum(int(c) if c.isdigit() else c == "-" for c in line[:68])
    return line[:68] + str(total % 10) + line[69:]


def fields_of_lines(name: str, first: str, second: str) -> dict[str, str]:
    """Return the keywords of a two-line set, every digit as it stands in the columns."""
    year = int(first[18:20])
    year += 1900 if year >= 57 else 2000
    # the fraction of a day has eight decimals: a whole number of 864 us
    microseconds = int(first[24:32]) * 864
    epoch = datetime(year, 1, 1) + timedelta(days=int(first[20:23]) - 1, microseconds=microseconds)
    launch = first[9:17].strip()
    century = "19" if launch[:2] >= "57" else "20"
    return {
        "OBJECT_NAME": name,
        "OBJECT_ID": f"{century}{launch[:2]}-{launch[2:]}" if launch else "",
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "TEME",
        "TIME_SYSTEM": "UTC",
        "MEAN_ELEMENT_THEORY": "SGP4",
        "EPOCH": epoch.isoformat(timespec="microseconds"),
        "MEAN_MOTION": second[52:63].strip(),
        "ECCENTRICITY": f"0.{second[26:33]}",
        "INCLINATION": second[8:16].strip(),
        "RA_OF_ASC_NODE": second[17:25].strip(),
        "ARG_OF_PERICENTER": second[34:42].strip(),
        "MEAN_ANOMALY": second[43:51].strip(),
        "EPHEMERIS_TYPE": "0",
        "CLASSIFICATION_TYPE": first[7],
        "NORAD_CAT_ID": str(from_alpha5(first[2:7].strip())),
        "ELEMENT_SET_NO": first[64:68].strip(),
        "REV_AT_EPOCH": second[63:68].strip(),
        "BSTAR": f"{first[53].strip()}0.{first[54:59]}E{first[59:61].strip()}",
        "MEAN_MOTION_DOT": first[33:43].replace(" ", ""),
        "MEAN_MOTION_DDOT": f"{first[44].strip()}0.{first[45:50]}E{first[50:52].strip()}",
    }


def as_json(messages: list[dict[str, Any]]) -> str:
    return json.dumps(messages)


def as_csv(messages: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(messages[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(messages)
    return out.getvalue()


def as_kvn(messages: list[dict[str, Any]]) -> str:
    header = "CCSDS_OMM_VERS = 3.0\nCREATION_DATE = 2021-10-01T00:00:00\nORIGINATOR = TEST\n"
    return "".join(header + "".join(f"{key} = {value}\n" for key, value in one.items()) for one in messages)


def as_xml(messages: list[dict[str, Any]]) -> str:
    root = ElementTree.Element("ndm")
    for one in messages:
        omm = ElementTree.SubElement(root, "omm", id="CCSDS_OMM_VERS", version="3.0")
        header = ElementTree.SubElement(omm, "header")
        ElementTree.SubElement(header, "CREATION_DATE").text = "2021-10-01T00:00:00"
        ElementTree.SubElement(header, "ORIGINATOR").text = "TEST"
        segment = ElementTree.SubElement(ElementTree.SubElement(omm, "body"), "segment")
        parts = {"metadata": ElementTree.SubElement(segment, "metadata")}
        data = ElementTree.SubElement(segment, "data")
        for key, value in one.items():
            part = "metadata" if key in _METADATA else "tleParameters" if key in _TLE_PARAMETERS else "meanElements"
            if part not in parts:
                parts[part] = ElementTree.SubElement(data, part)
            ElementTree.SubElement(parts[part], key).text = str(value)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True)


#: Every form of a message, as files write it.
FORMS = {"OMM JSON": as_json, "OMM CSV": as_csv, "OMM KVN": as_kvn, "OMM XML": as_xml}
