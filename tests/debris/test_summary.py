"""Counts of a catalogue file."""

import numpy as np

from shells.debris.element_sets import read_element_sets
from shells.debris.summary import Band, summarise
from tests.debris.written import two_lines


def test_closed_form_counts_of_a_small_file(tmp_path):
    # circular orbits at 15, 14, 12 and 1.0027 revolutions a day: a of 6,945, 7,271, 8,058 and 42,164 km
    path = tmp_path / "four.tle"
    sets = [("A", 5, 15.0), ("B R/B", 100_001, 14.0), ("C DEB", 7, 12.0), ("D DEB", 8, 1.0027), ("D DEB", 8, 1.0027)]
    lines = [[name, *two_lines(number=number, mean_motion=rate)] for name, number, rate in sets]
    path.write_text("\n".join(line for group in lines for line in group) + "\nORPHAN\n" + two_lines()[0])
    summary = summarise(read_element_sets(path))
    assert (summary.file, summary.format) == ("four.tle", "TLE")
    assert (summary.read, summary.objects, summary.alpha5, summary.below_2000_km) == (5, 4, 1, 3)
    assert summary.kinds == {"debris": 3, "payload": 1, "rocket body": 1}
    assert summary.rejected == {"line 1 without line 2": 1}
    assert summary.first_epoch == summary.last_epoch == np.datetime64("2021-10-01T06:00")
    filled = [band for band in summary.bands if band.count]
    assert filled == [Band(400.0, 600.0, 1), Band(800.0, 1000.0, 1), Band(1600.0, 2000.0, 1), Band(2000.0, np.inf, 2)]
    assert sum(band.count for band in summary.bands) == summary.read
