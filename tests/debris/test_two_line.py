"""Two-line element sets: columns, checksums, Alpha-5, and that nothing of a file is lost."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shells.debris.lines import bounded_lines
from shells.debris.records import ElementRecord, RecordError, Rejected
from shells.debris.two_line import LONGEST_LINE, alpha5_number, four_digit_year, read_two_line
from tests.debris.written import two_lines, with_checksum

FIRST, SECOND = two_lines()


def read(text: str) -> tuple[list[ElementRecord], list[Rejected]]:
    found = list(read_two_line(bounded_lines(io.BytesIO(text.encode()), limit=LONGEST_LINE)))
    return [one for one in found if isinstance(one, ElementRecord)], [one for one in found if isinstance(one, Rejected)]


def only(text: str) -> ElementRecord:
    records, rejected = read(text)
    assert rejected == []
    (record,) = records
    return record


def reason(text: str) -> str:
    records, rejected = read(text)
    assert records == []
    assert len(rejected) == 1
    return rejected[0].reason


# --- published ---


def test_published_element_set():
    # T. S. Kelso, "Frequently Asked Questions: Two-Line Element Set Format", Satellite Times, January 1998 (the set of
    # NOAA 14 shown there, its fields as the text explains them).
    record = only(
        "NOAA 14\n"
        "1 23455U 94089A   97320.90946019  .00000140  00000-0  10191-3 0  2621\n"
        "2 23455  99.0090 272.6745 0008546 223.1686 136.8816 14.11711747148495\n"
    )
    assert record.identifier == 23455
    assert (record.name, record.designator) == ("NOAA 14", "94089A")
    assert str(np.datetime64(record.epoch_ns, "ns")) == "1997-11-16T21:49:37.360416000"  # day 320.90946019
    assert record.mean_motion == 14.11711747
    assert record.eccentricity == 0.0008546
    angles = (record.inclination, record.raan, record.argument_of_perigee, record.mean_anomaly)
    assert angles == (99.0090, 272.6745, 223.1686, 136.8816)
    assert record.bstar == pytest.approx(0.10191e-3, rel=1e-15)
    assert record.mean_motion_dot == 0.00000140


@pytest.mark.parametrize(
    ("field", "number"),
    [("A0000", 100000), ("E8493", 148493), ("J2931", 182931), ("P4018", 234018), ("W1928", 301928), ("Z9999", 339999)],
)
def test_published_alpha5(field, number):
    # Space-Track documentation, "What is Alpha-5?": these six examples.
    assert alpha5_number(field) == number


# --- other method ---


@settings(deadline=None)
@given(
    number=st.integers(1, 339_999),
    epoch=st.integers(2_700 * 10**8, 38_000 * 10**8),
    eccentricity=st.integers(0, 9_999_999),
    angles=st.tuples(*[st.integers(0, 3_599_999)] * 3),
    inclination=st.integers(0, 1_800_000),
    mean_motion=st.integers(10**7, 17 * 10**8),
    bstar=st.one_of(st.just(0.0), st.floats(1e-9, 0.9), st.floats(-0.9, -1e-9)),
)
def test_other_method_reads_what_the_exporter_of_sgp4_writes(
    number, epoch, eccentricity, angles, inclination, mean_motion, bstar
):
    lines = two_lines(
        number=number,
        epoch=epoch / 1e8,
        eccentricity=eccentricity / 1e7,
        perigee=angles[0] / 1e4,
        raan=angles[1] / 1e4,
        anomaly=angles[2] / 1e4,
        inclination=inclination / 1e4,
        mean_motion=mean_motion / 1e8,
        bstar=bstar,
    )
    record = only("\n".join(lines))
    assert record.identifier == number
    assert record.alpha5 == (number >= 100_000)
    # the exporter prints days to 1e-8: 0.864 ms, of a count of days since 1949 kept to 1e-11
    zero = np.datetime64("1949-12-31", "ns").astype(np.int64)
    assert abs(record.epoch_ns - int(zero) - epoch * 864_000) <= 864_000
    # one unit of the last printed digit, for what the way through radians may change
    np.testing.assert_allclose(record.eccentricity, eccentricity / 1e7, rtol=0, atol=1.01e-7)
    np.testing.assert_allclose(record.argument_of_perigee, angles[0] / 1e4, rtol=0, atol=1.01e-4)
    np.testing.assert_allclose(record.raan, angles[1] / 1e4, rtol=0, atol=1.01e-4)
    np.testing.assert_allclose(record.mean_anomaly, angles[2] / 1e4, rtol=0, atol=1.01e-4)
    np.testing.assert_allclose(record.inclination, inclination / 1e4, rtol=0, atol=1.01e-4)
    np.testing.assert_allclose(record.mean_motion, mean_motion / 1e8, rtol=0, atol=1.01e-8)
    np.testing.assert_allclose(record.bstar, bstar, rtol=1.01e-4, atol=0)  # five digits


# --- property ---


@settings(deadline=None)
@given(data=st.data())
def test_property_no_set_is_lost_when_a_character_changes(data):
    sets = [two_lines(number=number) for number in (101, 202, 303)]
    victim = data.draw(st.integers(0, 2))
    which, column = data.draw(st.integers(0, 1)), data.draw(st.integers(1, 68))
    character = data.draw(st.characters(min_codepoint=32, max_codepoint=126))
    lines = [list(pair) for pair in sets]
    lines[victim][which] = lines[victim][which][:column] + character + lines[victim][which][column + 1 :]
    records, rejected = read("\n".join(line for pair in lines for line in pair))
    assert {record.identifier for record in records} >= {101, 202, 303} - {101 * (victim + 1)}
    assert len(records) + len(rejected) >= 3


@settings(deadline=None)
@given(st.lists(st.sampled_from(["NAME", "0 NAME", "", "# note", FIRST, SECOND, "x" * 1200, FIRST[:50]]), max_size=12))
def test_property_every_line_is_in_a_set_or_rejected(pieces):
    records, rejected = read("\n".join(pieces))
    assert len(records) <= min(pieces.count(FIRST), pieces.count(SECOND))
    # blank lines do not count: a set may have some between its two lines
    written = [number for number, piece in enumerate(pieces, start=1) if piece]
    place = {number: order for order, number in enumerate(written)}
    told = {place[record.line] + step for record in records for step in (0, 1)} | {place[one.line] for one in rejected}
    for number in written:
        piece = pieces[number - 1]
        if piece == SECOND or piece.startswith(FIRST[:50]):
            # a set that was broken tells of one of its two lines
            assert told & set(range(place[number] - 2, place[number] + 3))


# --- limits ---


@pytest.mark.parametrize("end", ["\n", "\r\n", "\n\n", "  \n", "\n \r\n"])
@pytest.mark.parametrize("name", ["SOME NAME", "0 SOME NAME"])
def test_line_ends_and_names(end, name):
    assert only(end.join([name, FIRST, SECOND])).name == "SOME NAME"
    assert only(end.join(["\ufeff" + name, FIRST, SECOND, ""])).name == "SOME NAME"


@pytest.mark.parametrize("name", ["0", "0 ", ""])
def test_blank_name(name):
    assert only(f"{name}\n{FIRST}\n{SECOND}").name == ""


def test_space_padded_number_plus_signs_and_blank_designator():
    first = with_checksum("1    11U          21274.25000000 +.00000100 +00000+0 +31000-4 0    15")
    second = with_checksum("2    11  74.0300 211.7500 0012000  71.2500  33.5000 14.25000000    05")
    record = only(f"{first}\n{second}")
    assert (record.identifier, record.designator, record.alpha5) == (11, "", False)
    assert record.bstar == pytest.approx(3.1e-5, rel=1e-15)


def test_name_that_begins_like_an_element_line():
    assert only(f"1 SATELLITE\n{FIRST}\n{SECOND}").name == "1 SATELLITE"


def test_text_after_the_last_column():
    # as in the verification set of sgp4, which appends start, end and step
    assert only(f"{FIRST}\n{SECOND}     0.00      4320.0        360.00").identifier == 20001


def test_comments_are_passed_over():
    assert only(f"# a comment\n{FIRST}\n{SECOND}").name == ""


@pytest.mark.parametrize(("two", "four"), [(57, 1957), (99, 1999), (0, 2000), (56, 2056)])
def test_two_digit_years(two, four):
    assert four_digit_year(two) == four


def test_longest_line_is_read_and_a_longer_one_is_not():
    records, rejected = read(f"{'n' * LONGEST_LINE}\n{FIRST}\n{SECOND}\n{'n' * (LONGEST_LINE + 1)}\n{FIRST}\n{SECOND}")
    assert [len(record.name) for record in records] == [100, 0]
    assert [(one.line, one.reason, len(one.text)) for one in rejected] == [(4, "line too long", 80)]


# --- errors ---


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (FIRST, "line 1 without line 2"),
        (SECOND, "line 2 without line 1"),
        ("JUST A NAME", "text without element set"),
        (f"{FIRST}\n{SECOND[:-1]}", "line too short"),
        (f"{FIRST[:-1]}{(int(FIRST[-1]) + 1) % 10}\n{SECOND}", "checksum does not agree"),
        (f"{FIRST}\n{SECOND}7", "line too long"),
        (f"{FIRST}\n{two_lines(number=5)[1]}", "lines of two objects"),
        (f"{with_checksum(FIRST.replace('20001', 'I0001'))}\n{SECOND}", "catalogue number not readable"),
        (f"{FIRST.replace('20001', '2 001')}\n{SECOND}", "catalogue number not readable"),
        (f"{with_checksum(FIRST.replace('21274', '21366'))}\n{SECOND}", "epoch not readable"),
        (f"{FIRST.replace('21274.', '2127O.')}\n{SECOND}", "column not readable"),
        (f"{FIRST}\n{with_checksum(SECOND.replace('74.0300', '4 .0300'))}", "number not readable"),
        (f"{FIRST}\n{with_checksum(SECOND.replace(' 74.0300', '181.0300'))}", "element out of range"),
        (f"{FIRST}\n{with_checksum(SECOND.replace('14.25000000', ' 0.00000000'))}", "element out of range"),
        (f"{with_checksum(FIRST[:62] + '4' + FIRST[63:])}\n{SECOND}", "not for SGP4"),
    ],
)
def test_rejected_with_a_reason(text, expected):
    assert reason(text) == expected


def test_rejected_record_says_where_and_what():
    _, rejected = read(f"0 FIRST ONE\n{FIRST}\n{SECOND}\n0 OTHER\n{FIRST.replace('.25', '.2x')}\n{SECOND}")
    assert rejected == [
        Rejected(
            line=5,
            identifier="20001",
            name="OTHER",
            text=FIRST.replace(".25", ".2x"),
            reason="column not readable",
            detail="line 1, columns 19-33, epoch: '21274.2x000000 '",
        )
    ]


@pytest.mark.parametrize("field", ["I0000", "O1234", "a0000", "AA000", "A000", "1A000", "     ", "١2345", "123456"])
def test_alpha5_errors(field):
    with pytest.raises(RecordError, match="catalogue number not readable"):
        alpha5_number(field)
