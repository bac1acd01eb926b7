"""Mutated catalogues: whatever the bytes, records are read or rejected, or the file is refused with a clear message."""

import sys
import time
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import shells.debris
from tests.debris.fuzzing import examine, mutated, seeds

SEEDS = seeds()
ROOM = str(Path(shells.debris.__file__).parent)

EXECUTIONS = 20_000


@pytest.mark.parametrize("content", SEEDS)
def test_seeds_are_read_whole(content, tmp_path):
    assert examine(content, tmp_path / "seed") != "refused"


# --- property ---


@settings(deadline=None, max_examples=400)
@given(
    content=st.sampled_from(SEEDS),
    other=st.sampled_from(SEEDS),
    random=st.randoms(use_true_random=False),
    changes=st.integers(1, 6),
)
def test_property_no_change_of_a_valid_file_loses_a_record(content, other, random, changes, tmp_path_factory):
    for _ in range(changes):
        content = mutated(content, other, random)
    examine(content, tmp_path_factory.getbasetemp() / "mutated")


@pytest.mark.long
def test_property_of_files_that_reach_new_lines_of_the_readers(tmp_path, capsys):
    """Guided by coverage: a file that reaches lines or branches no file reached before is changed further."""
    random = Random(20211001)
    corpus = list(SEEDS)
    reached: set[object] = set()
    outcomes: dict[str, int] = {}
    for k in range(EXECUTIONS):
        content = random.choice(corpus if k % 2 else SEEDS)
        for _ in range(random.choice((1, 1, 2, 4))):
            content = mutated(content, random.choice(corpus), random)
        content = content[:20_000]
        started = time.process_time()
        outcome, steps = traced(lambda content=content: examine(content, tmp_path / "fuzzed"))
        assert time.process_time() - started < 20.0, content
        outcomes[outcome] = outcomes.get(outcome, 0) + 1
        if steps - reached:
            reached |= steps
            corpus.append(content)
    with capsys.disabled():
        print(f"\n{EXECUTIONS} files, {len(corpus)} of them reached something new, {len(reached)} steps; {outcomes}")
    assert all(outcomes.get(form, 0) > 100 for form in ("TLE", "OMM CSV", "OMM JSON", "OMM KVN", "OMM XML", "refused"))


def traced(run):
    """Return what a function returns, and the steps from line to line that it took in the readers."""
    steps = set()

    def entered(frame, event, argument):
        if not frame.f_code.co_filename.startswith(ROOM):
            return None
        last = 0

        def stepped(frame, event, argument):
            nonlocal last
            if event == "line":
                steps.add((frame.f_code, last, frame.f_lineno))
                last = frame.f_lineno
            return stepped

        return stepped

    before = sys.gettrace()
    sys.settrace(entered)
    try:
        return run(), steps
    finally:
        sys.settrace(before)
