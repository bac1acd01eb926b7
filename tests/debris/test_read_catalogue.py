"""Catalogue files as objects: time, drag, kinds, provenance, and what happens to records that cannot be used."""

import gzip
import json
import os
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from shells.debris.catalogue import read_catalogue, rejected_records
from shells.debris.kinds import HARD_BODY_RADII
from shells.errors import CatalogueError, InputError
from shells.schema import OBJECTS
from tests.debris.written import FORMS, OCTOBER_2021, fields_of_lines, message, two_lines

CATALOGUE = os.environ.get("SHELLS_CATALOGUE", "")


@pytest.fixture
def catalogue(tmp_path):
    def write(*sets: tuple[str, dict[str, float]], extra: str = ""):
        lines = [line for name, changes in sets for line in (f"0 {name}", *two_lines(**changes))]
        path = tmp_path / "some.3le"
        path.write_text("\n".join(lines) + "\n" + extra)
        return path

    return write


def facts(objects):
    return json.loads(objects.attrs["provenance"])


# --- published ---


def test_published_ballistic_coefficient_of_bstar(catalogue):
    # Hoots & Roehrich 1980, Spacetrack Report 3: B* = rho0 Cd A / 2 m with rho0 = 2.461e-5 x 6378.135 kg m-2 per
    # Earth radius, so that Cd A / m = 12.741621 B* (factor as printed in the public explanations of B*, to which the
    # density as printed there, 0.15696615, agrees to 2e-6 only)
    objects = read_catalogue(catalogue(("A", {"bstar": 1e-4})))
    product = objects["drag_coefficient"] * objects["area_to_mass"]
    assert product.item() == pytest.approx(12.741621e-4, rel=2e-6)


# --- closed form ---


def test_closed_form_elements_near_those_of_the_set(catalogue):
    objects = read_catalogue(catalogue(("A", {"eccentricity": 0.05, "bstar": 0.0})), at="2021-10-01T06:00")
    # SGP4's mean elements differ from the library's by J2: some km in a, 1e-3 in the vector, 0.05 deg in angles
    assert objects["inclination"].item() == pytest.approx(74.03, abs=0.05)
    assert objects["raan"].item() == pytest.approx(211.75, abs=0.05)
    assert objects["mean_argument_of_latitude"].item() == pytest.approx(71.25 + 33.5, abs=0.3)
    perigee = np.radians(71.25)
    assert objects["eccentricity_x"].item() == pytest.approx(0.05 * np.cos(perigee), abs=2e-3)
    assert objects["eccentricity_y"].item() == pytest.approx(0.05 * np.sin(perigee), abs=2e-3)
    assert objects["semi_major_axis"].item() == pytest.approx(
        (398600.4 / (14.25 * 2 * np.pi / 86400) ** 2) ** (1 / 3), abs=8
    )


def test_closed_form_default_time_is_the_day_of_the_median_epoch(catalogue):
    epochs = [OCTOBER_2021 + days for days in (-9.0, 1.3, 1.9, 2.1, 2.2)]
    path = catalogue(*[("A", {"number": k + 1, "epoch": epoch}) for k, epoch in enumerate(epochs)])
    assert read_catalogue(path)["epoch"].values == np.datetime64("2021-10-02")


# --- property ---


@pytest.mark.parametrize(
    "at",
    [
        "2021-10-02T06:00:00Z",
        "2021-10-02T08:00:00+02:00",
        np.datetime64("2021-10-02T06"),
        datetime(2021, 10, 2, 6, tzinfo=UTC),
        datetime(2021, 10, 2, 7, tzinfo=timezone(timedelta(hours=1))),
        datetime(2021, 10, 2, 6),
    ],
)
def test_property_the_form_of_the_time_does_not_matter(catalogue, at):
    objects = read_catalogue(catalogue(("A", {})), at=at)
    assert objects["epoch"].values == np.datetime64("2021-10-02T06:00")


def test_property_reading_twice_gives_equal_data(catalogue):
    path = catalogue(("A", {}), ("B DEB", {"number": 2, "mean_motion": 2.1, "eccentricity": 0.7}))
    assert read_catalogue(path).identical(read_catalogue(path))


def assert_equal_through_all_forms(sets, tmp_path, **options):
    """Write (name, line 1, line 2) as every form of a message, and compare what is read to the last bit."""
    lines = "\n".join(line for name, *two in sets for line in (f"0 {name}", *two))
    (tmp_path / "TLE").write_text(lines)
    expected = read_catalogue(tmp_path / "TLE", **options)
    messages = [fields_of_lines(*one) for one in sets]
    for form, written in FORMS.items():
        (tmp_path / form).write_text(written(messages), encoding="utf-8")
        found = read_catalogue(tmp_path / form, **options)
        assert found.drop_attrs().identical(expected.drop_attrs())
        assert {key: facts(found)[key] for key in ("read", "kept", "rejected_by_reason")} == {
            key: facts(expected)[key] for key in ("read", "kept", "rejected_by_reason")
        }
        assert facts(found)["format"] == form
    return expected


def test_property_the_form_of_the_catalogue_does_not_matter(tmp_path):
    changes = [
        {"number": 11, "bstar": -2.345e-4},
        {"number": 180_014, "eccentricity": 0.7123456, "mean_motion": 2.1, "epoch": OCTOBER_2021 + 0.12345678},
        {"number": 11, "epoch": OCTOBER_2021 - 3.7, "raan": 7.0419, "inclination": 98.7},
        {"number": 12, "mean_motion": 16.45, "eccentricity": 0.001, "bstar": 0.05, "perigee": 0.5},
    ]
    sets = [(f"OBJECT <{k}> & CO DEB", *two_lines(**change)) for k, change in enumerate(changes)]
    objects = assert_equal_through_all_forms(sets, tmp_path, at="2021-10-01")
    assert objects.sizes["object"] == 2


@pytest.mark.long
@pytest.mark.skipif(not Path(CATALOGUE).is_file(), reason="SHELLS_CATALOGUE names no catalogue file")
def test_property_the_form_of_a_real_catalogue_does_not_matter(tmp_path):
    with gzip.open(CATALOGUE, "rt") as text:
        lines = text.read().splitlines()
    sets = [
        (name.removeprefix("0 "), first, second)
        for name, first, second in zip(lines[::3], lines[1::3], lines[2::3], strict=True)
    ]
    objects = assert_equal_through_all_forms(sets, tmp_path, at="2021-10-01")
    assert objects.sizes["object"] > 20_000


# --- limits ---


def test_values_of_a_small_catalogue(catalogue):
    objects = read_catalogue(
        catalogue(
            ("A", {"number": 11}),
            ("A R/B", {"number": 12, "bstar": 0.0}),
            ("A DEB", {"number": 13, "bstar": -1e-4}),
            ("TBA - TO BE ASSIGNED", {"number": 180_014, "bstar": 0.6, "mean_motion": 13.0}),
        ),
        at="2021-10-01",
    )
    OBJECTS.check(objects, stage="test")
    assert objects["object"].values.tolist() == [11, 12, 13, 180_014]
    assert objects["name"].values.tolist() == ["A", "A R/B", "A DEB", "TBA - TO BE ASSIGNED"]
    assert objects["kind"].values.tolist() == ["payload", "rocket body", "debris", "unknown"]
    assert objects["hard_body_radius"].values.tolist() == [
        HARD_BODY_RADII[kind].value for kind in objects["kind"].values
    ]
    # B* of zero, below zero and absurd is not believed
    np.testing.assert_allclose(objects["area_to_mass"][1:], 0.01, rtol=1e-12)
    assert facts(objects)["area_to_mass"] == {"from_bstar": 1, "default": 3}
    assert objects["mass"].isnull().all()
    assert (objects["plane"] == -1).all()
    assert objects["held_from"].isnull().all()


def test_provenance(catalogue):
    told = facts(read_catalogue(catalogue(("A", {}), ("A", {"epoch": OCTOBER_2021 + 2}), extra="ORPHAN\n")))
    assert told["file"] == "some.3le"
    assert len(told["file_sha256"]) == 64
    assert told["at"] == "2021-10-03T00:00:00.000000000"
    assert told["epochs"] == ["2021-10-03T00:00:00.000000000"] * 2
    assert told["days_from_epoch"] == {"largest": 0.0, "median": 0.0}
    assert (told["read"], told["kept"]) == (2, 1)
    assert told["rejected_by_reason"] == {"duplicate": 1, "text without element set": 1}
    assert "hard_body_radius" in told["assumed"]


def test_nine_digit_numbers_in_a_message(tmp_path):
    path = tmp_path / "catalogue"
    path.write_text(json.dumps([message() | {"NORAD_CAT_ID": 799501234}]))
    assert read_catalogue(path)["object"].values.tolist() == [799501234]


# --- errors ---


def test_every_record_left_out_is_listed(catalogue):
    objects = read_catalogue(
        catalogue(
            ("GOOD", {"number": 1}),
            ("OLDER", {"number": 1, "epoch": OCTOBER_2021 - 5}),
            ("SINKING", {"number": 2, "mean_motion": 16.45, "eccentricity": 0.001, "bstar": 0.05}),
            ("ENDING", {"number": 3, "mean_motion": 16.6, "eccentricity": 0.001, "bstar": 0.0}),
            ("ESCAPING", {"number": 4, "mean_motion": 0.06, "eccentricity": 0.96}),
            extra="0 ORPHAN\n",
        ),
        at="2021-10-01",
    )
    assert objects["name"].values.tolist() == ["GOOD"]
    found = [(one.line, one.identifier, one.name, one.reason) for one in rejected_records(objects)]
    assert found == [
        (5, "1", "OLDER", "duplicate"),
        (8, "2", "SINKING", "SGP4 error in the span"),
        (11, "3", "ENDING", "no fit"),
        (14, "4", "ESCAPING", "no fit"),
        (16, "", "", "text without element set"),
    ]
    assert rejected_records(objects)[1].detail.startswith("error ")
    assert facts(objects)["read"] == 5


def test_too_eccentric_records_are_listed(catalogue, monkeypatch):
    # what is beyond 0.95 today comes so near to the Moon that it has no fit either: a lower limit stands in
    monkeypatch.setattr("shells.debris.catalogue.HIGHEST_ECCENTRICITY", 0.3)
    path = catalogue(("GOOD", {"number": 1}), ("LONG", {"number": 2, "mean_motion": 2.2, "eccentricity": 0.7}))
    (left_out,) = rejected_records(read_catalogue(path, at="2021-10-01"))
    assert left_out.name == "LONG"
    assert left_out.reason == "eccentricity too high"
    assert left_out.detail.endswith("expected below 0.3")


def test_no_object_left(catalogue):
    path = catalogue(("SINKING", {"number": 2, "mean_motion": 16.45, "eccentricity": 0.001, "bstar": 0.05}))
    with pytest.raises(CatalogueError) as caught:
        read_catalogue(path, at="2021-10-01")
    message_text = str(caught.value)
    assert message_text.startswith(
        f"{path}: none of 1 element sets can be used at 2021-10-01T00:00:00.000000000; the first: "
    )
    assert message_text.endswith("choose `at` nearer to the epochs")


@pytest.mark.parametrize("at", ["soon", "1900-01-01", np.datetime64("NaT"), 5])
def test_impossible_time(catalogue, at):
    with pytest.raises(InputError) as caught:
        read_catalogue(catalogue(("A", {})), at=at)
    assert str(caught.value) == (
        f"read_catalogue: at = {at!r}; expected a UTC time between 1957 and 2200, such as '2026-01-31T12:00:00'"
    )


def test_rejected_records_of_something_else(catalogue):
    objects = read_catalogue(catalogue(("A", {}))).drop_attrs()
    with pytest.raises(InputError, match="rejected_records: the attribute 'provenance' names no rejected records"):
        rejected_records(objects)
