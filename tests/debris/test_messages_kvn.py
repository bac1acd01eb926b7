"""Orbit mean-elements messages in KVN: what the standard allows, and what is refused message by message."""

import io

import pytest

from shells.debris.lines import bounded_lines
from shells.debris.messages_kvn import read_kvn
from shells.debris.orbit_messages import LONGEST_LINE, STATED
from shells.debris.records import ElementRecord, Rejected
from tests.debris.written import as_kvn, message


def read(text: str) -> list[ElementRecord | Rejected]:
    return list(read_kvn(bounded_lines(io.BytesIO(text.encode()), limit=LONGEST_LINE)))


def between_good_ones(text: str) -> Rejected:
    """Return what the reader makes of a message that stands between two good ones."""
    first, found, last = read(as_kvn([message(number=1)]) + text + as_kvn([message(number=3)]))
    assert (first.identifier, last.identifier) == (1, 3)
    return found


def changed(old: str, new: str) -> str:
    text = as_kvn([message(number=2)])
    assert old in text
    return text.replace(old, new)


# --- limits ---


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("INCLINATION = 74.03", "INCLINATION = 74.03 [deg]"),
        ("INCLINATION = 74.03", "inclination=74.03[ DEG ]"),
        ("BSTAR = 3.1e-05", "BSTAR = 3.1e-05 [1/ER]"),
        # CCSDS 502.0-B-3, table 4-3 prints this unit with brackets of its own
        ("BSTAR = 3.1e-05", "BSTAR = +.31E-4 [1/[Earth radii]]"),
        ("EPOCH = 2021-10-01T06:00:00.000000", "\n\t EPOCH\t=  2021-274T06:00:00Z  "),
        ("MEAN_ELEMENT_THEORY = SGP4", "MEAN_ELEMENT_THEORY = sgp/sgp4"),
        ("MEAN_MOTION = ", "GM = 398600.8\nMEAN_MOTION = "),
        ("BSTAR = ", "COMMENT BSTAR = 7\n  comment\nBSTAR = "),
        ("MEAN_MOTION_DDOT = 0.0\n", "USER_DEFINED_A = 1\nUSER_DEFINED_A = [2]\n"),
        ("CCSDS_OMM_VERS = 3.0", "ccsds_omm_vers = 2.0"),
        ("CREATION_DATE = 2021-10-01T00:00:00\nORIGINATOR = TEST\n", "ORIGINATOR =\n"),
        ("ORIGINATOR = TEST\n", "ORIGINATOR = TEST\nMESSAGE_ID = 5\n"),
        ("VERS = 3.0\n", "VERS = 3.0\nCLASSIFICATION = none\n"),
        ("CLASSIFICATION_TYPE = U\n", ""),
        ("ELEMENT_SET_NO = 0\nREV_AT_EPOCH = 0\n", ""),
        ("OBJECT_ID = 1999-025A\n", "OBJECT_ID =\n"),
        ("\n", "\r\n"),
    ],
)
def test_forms_that_the_standard_and_the_sites_have(old, new):
    (expected,) = read(as_kvn([message(number=2)]))
    (found,) = read(changed(old, new))
    assert found._replace(mean_motion_ddot=0.0, designator="1999-025A") == expected


def test_line_numbers_and_names_with_brackets():
    one, other = as_kvn([message("A = [B] <b>", number=7)]), as_kvn([message("C", number=8)])
    first, second = read("\ufeffCOMMENT made for a test\n\n" + one + other)
    assert (first.line, first.name, first.identifier) == (3, "A = [B] <b>", 7)
    assert second.line == 3 + one.count("\n")


# --- errors ---


@pytest.mark.parametrize(
    ("old", "new", "reason", "detail"),
    [
        ("INCLINATION = 74.03", "INCLINATION = 1.29 [rad]", "another unit", "INCLINATION in 'rad', expected deg"),
        ("MEAN_MOTION = 14.25", "MEAN_MOTION = 1.0 [1/day]", "another unit", "expected rev/day"),
        ("BSTAR = 3.1e-05\n", "BSTAR = 1e999\n", "number not readable", "BSTAR '1e999'"),
        ("BSTAR = 3.1e-05\n", "", "mandatory keyword missing", "BSTAR"),
        ("MEAN_MOTION = 14.25", "SEMI_MAJOR_AXIS = 7200", "mandatory keyword missing", "MEAN_MOTION"),
        ("NORAD_CAT_ID = 2\n", "", "mandatory keyword missing", "NORAD_CAT_ID"),
        ("REF_FRAME = TEME\n", "", "mandatory keyword missing", "REF_FRAME"),
        ("REF_FRAME = TEME", "REF_FRAME = EME2000", "not for SGP4", "REF_FRAME EME2000, expected TEME"),
        ("THEORY = SGP4", "THEORY = SGP4-XP", "not for SGP4", "SGP4-XP"),
        ("EPHEMERIS_TYPE = 0", "EPHEMERIS_TYPE = 4", "not for SGP4", "ephemeris type 4"),
        ("VERS = 3.0", "VERS = 4.0", "version not known", "'4.0', expected 1.0, 2.0 or 3.0"),
        ("BSTAR", "MEAN_MOTION", "keyword repeated", "MEAN_MOTION"),
        ("ECCENTRICITY = ", "ECCENTRICITY ", "line not readable", "expected KEYWORD = value"),
        ("OBJECT_NAME = TEST OBJECT", "OBJECT_NAME = " + "A" * 10_000, "line too long", "longer than 10000"),
        ("CCSDS_OMM_VERS", "CCSDS_OPM_VERS", "not an OMM", "expected CCSDS_OMM_VERS"),
        ("ORIGINATOR = TEST", "ORIGINATOR = TEST\nBSTAR = 1", "keyword out of order", "OBJECT_NAME of the metadata"),
    ],
)
def test_rejected_with_a_reason(old, new, reason, detail):
    found = between_good_ones(changed(old, new))
    assert isinstance(found, Rejected)
    assert found.reason == reason
    assert detail in found.detail
    assert found.line == 1 + as_kvn([message()]).count("\n")
    assert "NORAD" in detail or found.identifier == "2"


def test_everything_missing_is_named_at_once():
    (found,) = read("CCSDS_OMM_VERS = 3.0\nOBJECT_NAME = A\nNORAD_CAT_ID = 5\n")
    assert found.name == "A"
    assert set(STATED) < set(found.detail.split(", "))


def test_text_before_the_first_message_is_told():
    first, second = read("saved by hand\nBSTAR = 2\n" + as_kvn([message(number=5)]))
    assert (first.line, first.reason) == (1, "not an OMM")
    assert second.identifier == 5


def test_a_lost_beginning_spoils_its_neighbour_and_says_so():
    first, second = as_kvn([message(number=1)]), as_kvn([message(number=2)])
    (found,) = read(first + second.split("\n", 1)[1])
    assert found.reason in ("keyword out of order", "keyword repeated")
