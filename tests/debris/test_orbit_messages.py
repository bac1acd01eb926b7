"""Orbit mean-elements messages: what all forms share, and what the sites write as CSV and JSON."""

import csv
import io
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shells.debris.lines import bounded_lines
from shells.debris.messages_csv import read_csv
from shells.debris.messages_json import LONGEST_OBJECT, read_json
from shells.debris.messages_kvn import read_kvn
from shells.debris.messages_xml import read_xml
from shells.debris.orbit_messages import LONGEST_LINE, MANDATORY, catalogue_number, epoch_nanoseconds
from shells.debris.records import ElementRecord, RecordError, Rejected
from shells.errors import CatalogueError
from tests.debris.written import as_kvn, as_xml, message


def from_json(text: str) -> list[ElementRecord | Rejected]:
    return list(read_json(io.BytesIO(text.encode()), source="test.json"))


def from_csv(text: str) -> list[ElementRecord | Rejected]:
    return list(read_csv(bounded_lines(io.BytesIO(text.encode()), limit=LONGEST_LINE), source="test.csv"))


def csv_text(messages: list[dict], **options) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(messages[0]), **options)
    writer.writeheader()
    writer.writerows(messages)
    return out.getvalue()


def instant(text: str) -> str:
    return str(np.datetime64(epoch_nanoseconds(text), "ns"))


# --- published ---


def test_published_epochs():
    # CCSDS 502.0-B-3 (2023): annex G, day-of-year form; table 4-1, with Z.
    assert instant("2020-064T10:34:41.4264") == "2020-03-04T10:34:41.426400000"
    assert instant("2002-204T15:56:23Z") == "2002-07-23T15:56:23.000000000"


# --- other method ---


@settings(deadline=None)
@given(
    number=st.integers(0, 999_999_999),
    mean_motion=st.floats(0.05, 17.0),
    eccentricity=st.floats(0.0, 0.99),
    inclination=st.floats(0.0, 180.0),
    angles=st.tuples(*[st.floats(0.0, 360.0)] * 3),
    bstar=st.floats(-1.0, 1.0),
    epoch=st.datetimes(min_value=np.datetime64("1957-10-04T00:00:00", "us").item()),
    name=st.text(st.characters(exclude_categories=("C", "Z")), max_size=30),
    as_text=st.booleans(),
)
def test_other_method_reads_what_other_modules_write(
    number, mean_motion, eccentricity, inclination, angles, bstar, epoch, name, as_text
):
    if epoch.year > 2200:
        epoch = epoch.replace(year=2200, day=min(epoch.day, 28))
    fields = {
        "OBJECT_NAME": name,
        "OBJECT_ID": "1999-025A",
        "CENTER_NAME": "EARTH",
        "REF_FRAME": "TEME",
        "TIME_SYSTEM": "UTC",
        "MEAN_ELEMENT_THEORY": "SGP4",
        "EPOCH": epoch.isoformat(),
        "MEAN_MOTION": mean_motion,
        "ECCENTRICITY": eccentricity,
        "INCLINATION": inclination,
        "RA_OF_ASC_NODE": angles[0],
        "ARG_OF_PERICENTER": angles[1],
        "MEAN_ANOMALY": angles[2],
        "EPHEMERIS_TYPE": 0,
        "NORAD_CAT_ID": number,
        "BSTAR": bstar,
    }
    (written_csv,) = from_csv(csv_text([fields]))
    (written_kvn,) = read_kvn(bounded_lines(io.BytesIO(as_kvn([fields]).encode()), limit=LONGEST_LINE))
    (written_xml,) = read_xml(io.BytesIO(as_xml([fields]).encode()), source="test.xml")
    if as_text:
        fields = {keyword: str(value) for keyword, value in fields.items()}
    (written_json,) = from_json(json.dumps([fields]))
    assert all(one._replace(line=1) == written_json for one in (written_csv, written_kvn, written_xml))
    assert written_json == ElementRecord(
        line=1,
        identifier=number,
        alpha5=False,
        name=name,
        designator="1999-025A",
        epoch_ns=int(np.datetime64(epoch, "ns").astype(np.int64)),
        mean_motion=mean_motion,
        eccentricity=eccentricity,
        inclination=inclination,
        raan=angles[0],
        argument_of_perigee=angles[1],
        mean_anomaly=angles[2],
        bstar=bstar,
        mean_motion_dot=0.0,
        mean_motion_ddot=0.0,
    )


# --- property ---


@settings(deadline=None)
@given(st.lists(st.integers(0, 5), max_size=40), st.booleans())
def test_property_layout_of_json_does_not_matter(blanks, one_line):
    messages = [message(number=number) for number in range(1, 4)]
    plain = from_json(json.dumps(messages))
    texts = [json.dumps(one, indent=None if one_line else 1) for one in messages]
    gaps = [" \t\r\n "[:count] for count in [*blanks, *[0] * 8]]
    loose = f"{gaps[0]}[{gaps[1]}{f'{gaps[2]},{gaps[3]}'.join(texts)}{gaps[4]}]{gaps[5]}"
    assert [one._replace(line=0) for one in from_json(loose)] == [one._replace(line=0) for one in plain]


def test_property_chunks_of_json_do_not_matter():
    # 300 objects of some 500 characters reach over several chunks of 64 KiB, cut at any place
    records = from_json(json.dumps([message(number=number) for number in range(1, 301)]))
    assert [record.identifier for record in records] == list(range(1, 301))


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_property_any_bytes_after_an_array_begins_give_records_or_a_clear_error(tail):
    try:
        records = list(read_json(io.BytesIO(b"[" + tail), source="test.json"))
    except CatalogueError as error:
        assert "test.json: line " in str(error)
    else:
        assert all(isinstance(record, Rejected) for record in records)


# --- limits ---


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2001-11-06T11:17:33", "2001-11-06T11:17:33.000000000"),
        ("2026-09-20T12:42:37.141056", "2026-09-20T12:42:37.141056000"),
        ("2026-09-20T12:42:37.1234567899Z", "2026-09-20T12:42:37.123456789"),
        ("2024-366T00:00:00", "2024-12-31T00:00:00.000000000"),
        ("2016-12-31T23:59:60", "2017-01-01T00:00:00.000000000"),
    ],
)
def test_forms_of_the_epoch(text, expected):
    assert instant(text) == expected


def test_numbers_that_sgp4_refuses():
    (record,) = from_json(json.dumps([message() | {"NORAD_CAT_ID": 799501621}]))
    assert record.identifier == 799501621


def test_line_numbers():
    text = csv_text([message(number=1), message(number=2)], lineterminator="\r\n")
    assert [record.line for record in from_csv("\ufeff\n" + text)] == [3, 4]
    assert [record.line for record in from_json(json.dumps([message(), message()], indent=1))] == [2, 25]


def test_single_object_and_unknown_keywords():
    (record,) = from_json(json.dumps(message() | {"RMS": 0.3, "DATA_SOURCE": {"a": [1]}}))
    assert record.name == "TEST OBJECT"


def test_names_and_designators_may_be_missing():
    fields = message() | {"OBJECT_NAME": None, "OBJECT_ID": ""}
    (record,) = from_json(json.dumps(fields))
    assert (record.name, record.designator) == ("", "")


def test_quoted_cells():
    (record,) = from_csv(csv_text([message('A "B", C')], quoting=csv.QUOTE_ALL))
    assert record.name == 'A "B", C'


def test_leading_points_and_exponents():
    fields = message() | {"ECCENTRICITY": ".0012", "BSTAR": "+.31E-4", "INCLINATION": "74."}
    (record,) = from_json(json.dumps([fields]))
    assert (record.eccentricity, record.bstar, record.inclination) == (0.0012, 0.31e-4, 74.0)


# --- errors ---


@pytest.mark.parametrize(
    ("changes", "reason", "detail"),
    [
        ({"EPOCH": None, "BSTAR": ""}, "mandatory keyword missing", "EPOCH, BSTAR"),
        ({"EPOCH": "2026-9-20T12:42:37"}, "epoch not readable", "another form"),
        ({"EPOCH": "2026-02-30T12:42:37"}, "epoch not readable", "day"),
        ({"EPOCH": "2026-366T12:42:37"}, "epoch not readable", "days 1 to 365"),
        ({"EPOCH": "2026-01-01T24:00:00"}, "epoch not readable", "no such time"),
        ({"EPOCH": "1900-01-01T00:00:00"}, "epoch not readable", "year outside 1957 to 2200"),
        ({"NORAD_CAT_ID": "A0000"}, "catalogue number not readable", "up to nine digits"),
        ({"NORAD_CAT_ID": 25544.0}, "catalogue number not readable", "up to nine digits"),
        ({"NORAD_CAT_ID": True}, "catalogue number not readable", "up to nine digits"),
        ({"INCLINATION": "x", "BSTAR": [1]}, "number not readable", "INCLINATION 'x', BSTAR '(list)'"),
        ({"MEAN_MOTION": "1e999"}, "number not readable", "MEAN_MOTION '1e999'"),
        ({"MEAN_MOTION_DOT": "1_0"}, "number not readable", "MEAN_MOTION_DOT '1_0'"),
        ({"MEAN_ANOMALY": True}, "number not readable", "MEAN_ANOMALY 'True'"),
        (
            {"ECCENTRICITY": 1.0, "MEAN_MOTION": -1},
            "element out of range",
            "mean motion -1, expected 0.002 to 20.0 rev/day",
        ),
        ({"TIME_SYSTEM": "TAI"}, "not for SGP4", "TIME_SYSTEM TAI, expected UTC"),
        ({"REF_FRAME": "EME2000"}, "not for SGP4", "REF_FRAME EME2000, expected TEME"),
        ({"MEAN_ELEMENT_THEORY": "DSST"}, "not for SGP4", "expected SGP4 or SGP/SGP4"),
        ({"EPHEMERIS_TYPE": 4}, "not for SGP4", "ephemeris type 4, expected 0 or 2"),
    ],
)
def test_rejected_with_a_reason(changes, reason, detail):
    first, second, third = from_json(json.dumps([message(number=1), message(number=2) | changes, message(number=3)]))
    assert (first.identifier, third.identifier) == (1, 3)
    assert (second.reason, second.name) == (reason, "TEST OBJECT")
    assert detail in second.detail


def test_numbers_that_are_no_numbers_in_json():
    (rejected,) = from_json(json.dumps([message() | {"BSTAR": float("nan")}]))
    assert rejected.reason == "number not readable"


def test_integers_without_end_cost_one_record():
    # Python refuses to convert integers of more than 4300 digits
    text = json.dumps([message(number=1), message(number=2), message(number=3)])
    text = text.replace('"NORAD_CAT_ID": 2,', f'"NORAD_CAT_ID": {"9" * 10_000},')
    assert [getattr(one, "reason", "read") for one in from_json(text)] == [
        "read",
        "catalogue number not readable",
        "read",
    ]


def test_numbers_that_almost_match_take_little_time():
    # a pattern that tries every split of the digits would take minutes
    (rejected,) = from_json(json.dumps(message() | {"BSTAR": "1" * 60_000 + "x"}))
    assert rejected.detail.startswith("BSTAR '1111")


def test_keywords_that_are_repeated():
    text = json.dumps([message(number=1), message(number=2)])
    first, second = from_json(text.replace('"BSTAR"', '"MEAN_MOTION"', 1))
    assert (first.line, first.identifier, first.reason, first.detail) == (1, "1", "keyword repeated", "MEAN_MOTION")
    assert second.identifier == 2
    text = csv_text([message()])
    with pytest.raises(
        CatalogueError, match=r"test\.csv: the CSV header lacks BSTAR and repeats MEAN_MOTION; expected"
    ):
        from_csv(text.replace("BSTAR", "MEAN_MOTION", 1))


def test_rows_that_do_not_fit_the_header():
    text = csv_text([message(number=1), message(number=2), message(number=3)]).splitlines()
    text[2] = text[2][:-30] + ' "'
    one, two, three = from_csv("\n".join(text))
    assert (one.identifier, two.reason, two.identifier, three.identifier) == (1, "row not readable", "2", 3)
    text[2] = '"' + text[2]
    assert from_csv("\n".join(text))[1].reason == "row not readable"
    text[2] = '1,"cut'
    assert from_csv("\n".join(text))[1].detail == "unexpected end of data; expected CSV"
    text[2] = "x" * (LONGEST_LINE + 1)
    assert from_csv("\n".join(text))[1].reason == "line too long"


def test_header_without_mandatory_keywords():
    fields = [{keyword: value for keyword, value in message().items() if keyword not in ("EPOCH", "BSTAR")}]
    expected = f"test.csv: the CSV header lacks EPOCH, BSTAR; expected the OMM keywords {', '.join(MANDATORY)}"
    with pytest.raises(CatalogueError, match=f"^{expected}$"):
        from_csv(csv_text(fields))
    with pytest.raises(CatalogueError, match=r"test\.csv: the CSV header cannot be read"):
        from_csv("EPOCH,\rMEAN_MOTION\n")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("[{}", "the file ends, expected ','"),
        ("[{},", "the file ends, expected '{'"),
        ("[{} {}]", "found '{', expected ','"),
        ("[1]", "found '1', expected '{'"),
        ("[{}] x", "more text after the end of the array"),
        ('[{"EPOCH": "2021', "the object that begins here is cut or no JSON"),
        (
            '[{"a": ' + "[" * 100_000,
            f"the object that begins here is no JSON or has over {LONGEST_OBJECT} characters",
        ),
        (
            '[{"a": "' + "x" * 200_000,
            f"the object that begins here is no JSON or has over {LONGEST_OBJECT} characters",
        ),
        ('[{"a": ' + "[" * 5_000 + "]" * 5_000 + "}]", "the object that begins here is cut or no JSON"),
        ("[{}\u001b", "found '\N{REPLACEMENT CHARACTER}', expected ','"),
    ],
)
def test_cut_or_broken_json(text, found):
    with pytest.raises(CatalogueError) as caught:
        from_json("\n" + text)
    assert str(caught.value).startswith(f"test.json: line 2: {found}")
    assert str(caught.value).endswith("expected a JSON array of OMM objects; fetch the file again")


@pytest.mark.parametrize("value", ["", "1000000000", "25544.0", "A0000", "-5", "١٢", None, 1.0, False])
def test_catalogue_number_errors(value):
    with pytest.raises(RecordError, match="expected an integer of up to nine digits"):
        catalogue_number(value)
