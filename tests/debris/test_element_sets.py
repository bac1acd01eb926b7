"""Catalogue files: formats told from content, gzip, bounded memory, SGP4's errors, several sets of one object."""

import gzip
import json
import math
import os
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sgp4.api import Satrec

from shells.debris.element_sets import DUPLICATE, ElementSets, read_element_sets
from shells.debris.lines import ALWAYS_UNPACKED, MOST_UNPACKED
from shells.debris.records import Rejected
from shells.errors import CatalogueError
from tests.debris.written import FORMS, OCTOBER_2021, message, satellite, two_lines


@pytest.fixture
def file(tmp_path):
    def write(content: str | bytes, name: str = "catalogue") -> ElementSets:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_element_sets(path)

    return write


def text_of(*numbers: int, **changes: float) -> str:
    return "\n".join(line for number in numbers for line in two_lines(number=number, **changes))


# --- other method ---


def test_other_method_states_are_those_of_sgp4s_own_reader(file):
    lines = two_lines(eccentricity=0.31, mean_motion=9.1)
    ours, theirs = file("\n".join(lines)).satellites[0], Satrec.twoline2rv(*lines)
    days = np.linspace(0.0, 3.0, 50)
    whole = np.full_like(days, theirs.jdsatepoch)
    for one, other in zip(ours.sgp4_array(whole, days), theirs.sgp4_array(whole, days), strict=True):
        # epochs agree to the last bit of a day's fraction: 1e-8 s, 0.1 mm
        np.testing.assert_allclose(one, other, rtol=0, atol=1e-7)


def test_other_method_perigee_altitude(file):
    sets = file(text_of(7, mean_motion=14.25, eccentricity=0.1, inclination=74.03))
    # F. R. Hoots, R. L. Roehrich, Spacetrack Report 3, 1980, section 6: a0'' from the Kozai mean motion
    motion, e, cosine = 14.25 * 2 * math.pi / 1440, 0.1, math.cos(math.radians(74.03))
    ke, k2 = 60.0 / math.sqrt(6378.135**3 / 398600.8), 0.5 * 0.001082616
    shape = (3 * cosine**2 - 1) / (1 - e**2) ** 1.5
    a1 = (ke / motion) ** (2 / 3)
    d1 = 1.5 * k2 / a1**2 * shape
    a0 = a1 * (1 - d1 / 3 - d1**2 - 134 / 81 * d1**3)
    a = a0 / (1 - 1.5 * k2 / a0**2 * shape)
    assert sets.perigee_altitudes[0] == pytest.approx((a * (1 - e) - 1) * 6378.135, abs=1e-4)


# --- property ---


@settings(deadline=None)
@given(
    content=st.binary(max_size=300), start=st.sampled_from([b"", b"[", b"\x1f\x8b", *[s.encode() for s in two_lines()]])
)
def test_property_any_file_is_read_or_refused_clearly(content, start, tmp_path_factory):
    path = tmp_path_factory.mktemp("any") / "file"
    path.write_bytes(start + content)
    with pytest.raises(CatalogueError, match=r"file"):
        read_element_sets(path)


def test_property_the_format_does_not_matter(file):
    numbers = range(20, 30)
    messages = [message(number=number) for number in numbers]
    as_tle = file("\n".join(line for number in numbers for line in ("TEST OBJECT", *two_lines(number=number))))
    assert as_tle.format == "TLE"
    for name, form in FORMS.items():
        sets = file(form(messages))
        assert sets.format == name
        assert (sets.identifiers == as_tle.identifiers).all()
        assert sets.names == as_tle.names
        assert (sets.epochs == as_tle.epochs).all()
        # eight decimals of the mean motion in a two-line set
        np.testing.assert_allclose(sets.perigee_altitudes, as_tle.perigee_altitudes, rtol=0, atol=2e-3)


@pytest.mark.parametrize(
    "content", [text_of(5, 6), *(form([message(number=5), message(number=6)]) for form in FORMS.values())]
)
@pytest.mark.parametrize("name", ["a.gz", "a.json", "a.txt", "a"])
def test_property_neither_name_nor_gzip_matters(file, content, name):
    plain, packed = file(content, name), file(gzip.compress(content.encode()), name)
    assert plain.identifiers.tolist() == packed.identifiers.tolist() == [5, 6]
    assert plain.format == packed.format
    assert plain.file_sha256 != packed.file_sha256


def test_property_nearest_to_keeps_the_closest_set_of_each_object(file):
    epochs = OCTOBER_2021 + np.array([0.0, 2.0, 3.0, 1.0, 2.0])
    sets = file(
        "\n".join(text_of(n, epoch=epoch) for n, epoch in zip((9, 8, 9, 9, 8), epochs, strict=True))
    ).nearest_to(np.datetime64("2021-10-03"))
    assert sets.identifiers.tolist() == [9, 8]
    # object 9: 1 day away twice, the later wins; object 8: equal epochs, the later record wins
    assert sets.epochs.astype("datetime64[D]").astype(str).tolist() == ["2021-10-04", "2021-10-03"]
    assert sets.lines.tolist() == [5, 9]
    assert [(one.line, one.identifier, one.reason) for one in sets.rejected] == [
        (1, "9", DUPLICATE),
        (3, "8", DUPLICATE),
        (7, "9", DUPLICATE),
    ]


# --- limits ---


def test_propagating_does_not_change_the_perigee(file):
    sets = file(text_of(5, bstar=0.01, mean_motion=15.5))
    before = sets.perigee_altitudes.copy()
    sets.satellites[0].sgp4(2459488.5, 0.0)
    assert (sets.perigee_altitudes == before).all()


def test_numbers_with_nine_digits(file):
    sets = file(json.dumps([message() | {"NORAD_CAT_ID": "799501234"}]))
    assert sets.identifiers.tolist() == [799501234]
    assert sets.satellites[0].satnum == 0


def test_alpha5_is_counted(file):
    sets = file(text_of(99_999, 100_000, 180_000, 339_999))
    assert sets.identifiers.tolist() == [99_999, 100_000, 180_000, 339_999]
    assert sets.alpha5.tolist() == [False, True, True, True]


def test_a_huge_line_takes_little_memory(tmp_path):
    path = tmp_path / "huge.gz"
    with gzip.open(path, "wb", compresslevel=1) as out:
        out.write(text_of(1).encode() + b"\n")
        for _ in range(300):
            out.write(b"1" * 100_000)
        out.write(b"\n" + text_of(2).encode())
    tracemalloc.start()
    sets = read_element_sets(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sets.identifiers.tolist() == [1, 2]
    assert [(one.line, one.reason) for one in sets.rejected] == [(3, "line too long")]
    assert peak < 2_000_000  # the line has 30 MB


@pytest.mark.long
@pytest.mark.parametrize(
    ("beginning", "outcome"),
    [
        ("\n".join(two_lines()) + "\n1 ", ["line too long"]),
        (FORMS["OMM CSV"]([message()]), ["line too long"]),
        (FORMS["OMM KVN"]([message(), message()]), ["line too long"]),
        (FORMS["OMM JSON"]([message()])[:-1] + ', {"OBJECT_NAME": "', "no JSON or has over 65536 characters"),
        (FORMS["OMM XML"]([message()])[:-7] + "<!-- ", "not well-formed"),
    ],
)
def test_a_line_of_a_gigabyte_takes_little_memory(tmp_path, beginning, outcome):
    path = tmp_path / "huge"
    path.write_text(beginning)
    os.truncate(path, 1_000_000_000)  # with NUL, which takes no room on the disk
    tracemalloc.start()
    if isinstance(outcome, list):
        sets = read_element_sets(path)
        assert len(sets) == 1
        assert [one.reason for one in sets.rejected] == outcome
    else:
        with pytest.raises(CatalogueError, match=outcome):
            read_element_sets(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2_000_000


def test_a_gzip_bomb_is_refused(tmp_path):
    path = tmp_path / "bomb.gz"
    with gzip.open(path, "wb") as out:
        out.write(text_of(1).encode() + b"\n")
        for _ in range(MOST_UNPACKED):
            out.write(b"A" * (ALWAYS_UNPACKED // MOST_UNPACKED + 1))
    expected = (
        f"{path}: the gzip data unpacks to more than {ALWAYS_UNPACKED} bytes; expected at most {MOST_UNPACKED} times "
        f"the size of the file, or {ALWAYS_UNPACKED} bytes; else unpack it first"
    )
    with pytest.raises(CatalogueError) as caught:
        read_element_sets(path)
    assert str(caught.value) == expected


def test_names_come_out_without_control_characters(file):
    sets = file(json.dumps([message("A\x1b[2J\x00<b>\ud800é"), message("B\n", number=6) | {"BSTAR": "\u2028"}]))
    assert sets.names == ("A\N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}<b>\N{REPLACEMENT CHARACTER}é",)
    assert sets.rejected[0].name == "B"
    assert all(text.isprintable() for text in sets.rejected[0][1:])


def test_a_huge_json_object_takes_little_memory(tmp_path):
    path = tmp_path / "huge.json"
    path.write_bytes(b'[{"OBJECT_NAME": "' + b"A" * 20_000_000)
    tracemalloc.start()
    with pytest.raises(CatalogueError, match="the object that begins here is no JSON or has over 65536 characters"):
        read_element_sets(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2_000_000


# --- errors ---


def test_sgp4_error_at_epoch(file):
    decayed = satellite(number=6, mean_motion=16.9, eccentricity=0.2)
    assert decayed.error == 6
    sets = file(text_of(5) + "\nNAME\n" + text_of(6, mean_motion=16.9, eccentricity=0.2))
    assert sets.identifiers.tolist() == [5]
    detail = "error 6: mrt is less than 1.0 which indicates the satellite has decayed"
    assert sets.rejected == (Rejected(4, "6", "NAME", "", "SGP4 error at epoch", detail),)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("", "the file is empty; expected a catalogue of element sets"),
        ("\n \r\n", "the file is empty; expected a catalogue of element sets"),
        (
            "<html>",
            "no known catalogue format; it begins '<html>'; expected TLE or 3LE lines, or CCSDS OMM as KVN, XML",
        ),
        ("No GP data found", "no known catalogue format; it begins 'No GP data found'"),
        ("CCSDS_OEM_VERS = 3.0", "no known catalogue format; it begins 'CCSDS_OEM_VERS = 3.0'"),
        (
            "CCSDS_OMM_VERS = 3.0",
            "no usable element set in this OMM KVN file; 1 rejected, the first: line 1: mandatory",
        ),
        ("<ndm/>", "no usable element set in this OMM XML file; found no record at all"),
        ("\x1b[2J\x00", "no known catalogue format; it begins '\N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}'"),
        ("[]", "no usable element set in this OMM JSON file; found no record at all"),
        (",".join(message()), "no usable element set in this OMM CSV file; found no record at all"),
        (
            two_lines()[0],
            "no usable element set in this TLE file; 1 rejected, the first: line 1: line 1 without line 2",
        ),
        (gzip.compress(text_of(5).encode())[:-3], "the gzip data ends too early, the file is cut; fetch it again"),
        (gzip.compress(text_of(5).encode())[:20], "the gzip data ends too early, the file is cut; fetch it again"),
        (b"\x1f\x8b\x08" + bytes(40), "the gzip data is corrupt"),
        (gzip.compress(b"A" * 5000)[:-8] + bytes(8), "the gzip data is corrupt"),
    ],
)
def test_file_that_is_no_catalogue(file, tmp_path, content, found):
    with pytest.raises(CatalogueError) as caught:
        file(content)
    assert str(caught.value).startswith(f"{tmp_path / 'catalogue'}: {found}")


def test_missing_file_and_directory(tmp_path):
    expected = f"{tmp_path / 'none'}: no such file; give the path of a catalogue file"
    with pytest.raises(CatalogueError) as caught:
        read_element_sets(tmp_path / "none")
    assert str(caught.value) == expected
    with pytest.raises(CatalogueError, match="no path of a file, it holds a NUL"):
        read_element_sets("a\0b")
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe"):
        with pytest.raises(CatalogueError) as caught:
            read_element_sets(str(path))
        assert str(caught.value) == f"{path}: cannot be read (a directory, pipe or device); expected a file"


def test_more_sets_than_any_catalogue_are_refused(file, monkeypatch):
    monkeypatch.setattr("shells.debris.element_sets.MOST_SETS", 2)
    assert len(file(text_of(1, 2))) == 2
    with pytest.raises(CatalogueError, match=r"catalogue: more than 2 element sets; expected fewer, split the file$"):
        file(text_of(1, 2, 3))


def test_endless_rubbish_is_refused(file):
    rubbish = "NAME\n" * 100_002
    with pytest.raises(CatalogueError, match="more than 100000 records cannot be used; 100001 rejected, the first: "):
        file(text_of(1) + "\n" + rubbish)
