"""A real catalogue of October 2021, where the environment variable SHELLS_CATALOGUE names its file."""

import os
from pathlib import Path

import numpy as np
import pytest

from shells.debris.catalogue import read_catalogue, rejected_records
from shells.debris.element_sets import read_element_sets
from shells.debris.summary import summarise

CATALOGUE = os.environ.get("SHELLS_CATALOGUE", "")
CHECKSUM = "01cd3dd07d01ce59839800fbdd4f4b08f874057f058351d923a6daf2f314162d"

pytestmark = pytest.mark.skipif(not Path(CATALOGUE).is_file(), reason="SHELLS_CATALOGUE names no file")


def test_published_counts_of_the_file():
    sets = read_element_sets(CATALOGUE)
    if sets.file_sha256 != CHECKSUM:
        pytest.skip("counts are known for the catalogue of 2021-10-01 only")
    summary = summarise(sets)
    # counted by hand from the text of the file: a third of 66,816 lines, letters in column 3 of line 1; perigees with
    # SGP4's own mean motion
    assert (summary.read, summary.rejected, summary.alpha5, summary.below_2000_km) == (22_272, {}, 278, 19_633)
    assert sum(summary.kinds.values()) == sum(band.count for band in summary.bands) == summary.read


@pytest.mark.long
def test_published_catalogue_becomes_objects():
    objects = read_catalogue(CATALOGUE)
    rejected = rejected_records(objects)
    assert objects.sizes["object"] + len(rejected) == len(read_element_sets(CATALOGUE))
    # those that decay about the time of the catalogue: about one object in a thousand
    assert len(rejected) < 0.002 * objects.sizes["object"]
    assert np.isfinite(objects["semi_major_axis"]).all()
