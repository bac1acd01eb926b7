"""The separation decision on real kernels: closed forms of the risk between two shells, and what is refused."""

import numpy as np
import pytest

import shells
from shells.errors import InputError
from shells.study.configuration import load_study

TEXT = """
[study]
name = "decision"
start = 2031-04-01T00:00:00Z
years = 0.3
seed = 1
[fleet]
pattern = "{pattern}"
planes = {planes}
satellites_per_plane = 20
altitude_km = 1060.0
inclination_deg = {inclination}
mass_kg = 200.0
drag_area_m2 = 2.0
hard_body_radius_m = 5.0
frozen = {frozen}
[tolerances]
distribution = "normal"
mean_radius_m = 100.0
eccentricity = 0.0
[faults]
per_satellite_year = {faults}
offset_km = 1.0
duration_days = 30.0
[sweep]
step_km = [0.2, 0.5, 0.8, 1.5]
[target]
quantity = "collisions"
value = 1.0e-3
years = 10.0
scope = "fleet"
"""


def study_of(tmp_path, *, pattern="star", planes=2, inclination=86.5, frozen="true", faults=0.02):
    path = tmp_path / "study.toml"
    path.write_text(TEXT.format(pattern=pattern, planes=planes, inclination=inclination, frozen=frozen, faults=faults))
    return load_study(path)


def test_two_shells_closed_form(tmp_path):
    # N1 N2 (2 n / pi a) / cos(beta / 2) times the integral of sqrt(R^2 - x^2) over the normal density of the gap (rate
    # of two shells, package notes; with R far below sigma, pi R^2 / 2 times the density)
    decided = shells.choose_separation(study_of(tmp_path))
    radius, sigma, body = 7438.137, 0.1 * np.sqrt(2.0), 0.01
    beta = np.arccos(np.cos(np.radians(86.5)) ** 2 + np.sin(np.radians(86.5)) ** 2 * np.cos(np.radians(90.0)))
    motion = np.sqrt(398600.4415 / radius**3) * 365.25 * 86400.0 / (2.0 * np.pi)  # revolutions a year
    spent = 0.02 * 30.0 / 365.25
    for j, step in enumerate((0.2, 0.5, 0.8, 1.5)):

        def per_year(spread, gap=step):
            density = np.exp(-0.5 * (gap / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
            return 400 * 2.0 * motion / (np.pi * radius) / np.cos(beta / 2.0) * np.pi * body**2 / 2.0 * density

        gap = decided["smallest_gap"].values[j]
        assert gap == pytest.approx(step, abs=2e-3)
        held, fault = per_year(sigma), per_year(np.hypot(sigma, 1.0))
        assert decided["collisions_control"].values[j] == pytest.approx(held * (1 - spent) ** 2, rel=0.06)
        assert decided["collisions_fault"].values[j] == pytest.approx(fault * 2 * spent * (1 - spent), rel=0.02)


def test_choice_is_the_smallest_step_that_meets_the_target(tmp_path):
    decided = shells.choose_separation(study_of(tmp_path))
    meets = decided["meets_target"].values
    assert not meets[0]
    assert meets[-1]
    assert decided["chosen"].values.argmax() == meets.argmax()
    assert decided["chosen"].values.sum() == 1
    quantity = 10.0 * (decided["collisions_control"] + decided["collisions_fault"])
    np.testing.assert_allclose(decided["target_quantity"], quantity, rtol=1e-12)


def test_planes_that_do_not_cross_are_refused_not_counted_as_safe(tmp_path):
    with pytest.raises(InputError, match="planes 0 and 1 lie in nearly one or opposed planes"):
        shells.choose_separation(study_of(tmp_path, pattern="delta", inclination=89.95))


def test_more_faults_never_make_it_safer(tmp_path):
    # with a share s of time in faults a pair has weights (1 - s)^2, 2 s (1 - s) and s^2, which add up to one
    totals = []
    for share in (0.1, 0.5, 0.9, 1.0):
        decided = shells.choose_separation(study_of(tmp_path, faults=share * 365.25 / 30.0))
        totals.append((decided["collisions_control"] + decided["collisions_fault"]).values[-1])
    assert totals == sorted(totals)
    assert totals[0] > 0.0


def test_short_studies_say_that_phases_do_not_drift(tmp_path):
    path = tmp_path / "short.toml"
    study_of(tmp_path)
    path.write_text((tmp_path / "study.toml").read_text().replace("years = 0.3", "years = 0.01"))
    assert "averages over unknown phases" in shells.choose_separation(load_study(path)).attrs["text"]
    assert "averages over unknown phases" not in shells.choose_separation(study_of(tmp_path)).attrs["text"]
