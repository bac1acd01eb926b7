import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from shells.report import charts
from shells.report.drawing import Trace
from shells.study.found import FOUND
from tests.study import fakes

TRACE = Trace(
    run="trial",
    study_hash="0123456789abcdef" * 4,
    version="0.1.0",
    case="Case 1: step 2 km, order monotone.",
    model="Gravity of a test.",
)


def counts(kinds=("fleet", "debris"), years=2, found=3):
    return FOUND.build(
        {
            "kind": kinds,
            "year": np.arange(years),
            "found": np.full((len(kinds), years), found),
            "smallest_miss": np.linspace(0.0123, 2.5, len(kinds)),
        }
    )


def every_chart(directory, *changes, met=True, with_debris=True):
    study = fakes.study(directory, *changes)
    rates = fakes.fleet_rates(study).sel(layout=1, within_km=5.0)
    return [
        charts.planes_chart(fakes.planes(study), TRACE),
        charts.sweep_chart(fakes.decision(study, met=met, with_debris=with_debris), study.target, TRACE),
        charts.sensitivity_chart(fakes.sensitivity(), TRACE),
        charts.found_chart(counts(), 5.0, "2031-04-01", TRACE),
        charts.rates_chart(rates, TRACE),
    ]


def texts(chart):
    """Return all texts of a chart that are shown."""
    chart.figure.draw_without_rendering()
    return [
        text.get_text()
        for text in chart.figure.findobj(lambda artist: hasattr(artist, "get_text"))
        if text.get_visible()
    ]


def test_each_chart_can_be_filed_alone(tmp_path):
    for chart in every_chart(tmp_path):
        shown = " ".join(texts(chart)).replace("\n", " ")
        for part in (TRACE.case, TRACE.model, "Run trial, study 0123456789ab, shells 0.1.0."):
            assert part in shown, chart.name
            assert part in chart.caption, chart.name
        for axes in chart.figure.axes:
            if chart.name != "rates" or axes is chart.figure.axes[0]:
                assert axes.get_ylabel(), chart.name
        assert any(axes.get_xlabel() for axes in chart.figure.axes), chart.name


def test_elements_of_several_charts_do_not_mix_on_a_page(tmp_path):
    elements = [chart.save(tmp_path) for chart in every_chart(tmp_path)]
    seen = set()
    for element in elements:
        ET.fromstring(element)
        own = set(re.findall(r'\bid="([^"]+)"', element))
        assert not own & seen
        seen |= own
        for target in re.findall(r'(?:href="#|url\(#)([^")]+)', element):
            assert target in own
        assert "<metadata>" not in element and "DOCTYPE" not in element


def test_all_is_inside_the_figure_and_captions_clear_of_the_axes(tmp_path):
    for chart in every_chart(tmp_path):
        chart.figure.draw_without_rendering()
        renderer = chart.figure.canvas.get_renderer()
        width, height = chart.figure.bbox.size
        title, caption = (text.get_window_extent(renderer) for text in chart.figure.texts)
        tight = [axes.get_tightbbox(renderer) for axes in chart.figure.axes]
        for box in (title, caption, *tight):
            assert box.x0 >= -1 and box.x1 <= width + 1 and box.y0 >= -1 and box.y1 <= height + 1, chart.name
        for box in tight:
            assert caption.y1 <= box.y0 + 1 and box.y1 <= title.y0 + 1, chart.name


def test_decision_and_target_are_marked(tmp_path):
    study = fakes.study(tmp_path)
    chart = charts.sweep_chart(fakes.decision(study), study.target, TRACE)
    shown = texts(chart)
    assert "decision: 2 km, monotone" in shown
    assert "target 0.0001" in shown
    assert "zero" in shown  # the approaches of the largest step
    assert "collisions in 10 years,\nwhole fleet" in shown
    assert "debris" not in shown and "debris, within 5 km" not in shown


def test_debris_has_its_standard_errors(tmp_path):
    study = fakes.study(tmp_path)
    decision = fakes.decision(study, with_debris=True)
    # of one case nothing is known to be met, of another the error is larger than the value
    decision["collisions_debris"][:] = np.array([0.0, 3e-5, 2e-5, 3e-5, 4e-5, 3e-5])
    decision["collisions_debris_error"][:] = np.array([0.0, 8e-6, 5e-5, 8e-6, 8e-6, 8e-6])
    chart = charts.sweep_chart(decision, study.target, TRACE)
    assert "Bars are standard errors of drawing the debris anew." in chart.caption
    approaches, collisions, target = chart.figure.axes
    assert not target.containers
    for axes, value, error in (
        (approaches, np.full(6, 14.0 * 25.0), np.full(6, 0.05 * 14.0 * 25.0)),
        (collisions, decision["collisions_debris"].values[1:], decision["collisions_debris_error"].values[1:]),
    ):
        (bars,) = axes.containers
        ends = np.array([segment[:, 1] for segment in bars.lines[2][0].get_segments()])
        foot = 10.0 ** np.ceil(np.log10(axes.get_ylim()[0]))
        np.testing.assert_allclose(ends[:, 1], value + error, rtol=1e-12)
        inside = error < value
        np.testing.assert_allclose(ends[inside, 0], (value - error)[inside], rtol=1e-12)
        # a bar that reaches to zero ends with the decades, above the rows at the foot
        assert (ends[~inside, 0] >= foot * (1.0 - 1e-9)).all() and (ends < axes.get_ylim()[1]).all()
    assert "Bars are" not in charts.sweep_chart(fakes.decision(study), study.target, TRACE).caption


def test_no_decision(tmp_path):
    study = fakes.study(tmp_path, ('"fleet"', '"satellite"'))
    chart = charts.sweep_chart(fakes.decision(study, met=False), study.target, TRACE)
    assert "No case of this sweep meets the target." in chart.caption
    assert not any(text.startswith("decision") for text in texts(chart))
    assert "collisions in 10 years,\none satellite" in texts(chart)


@pytest.mark.parametrize("side", [1.0, 3.0])
def test_label_of_the_decision_stays_inside(tmp_path, side):
    study = fakes.study(tmp_path)
    decision = fakes.decision(study)
    decision["chosen"][:] = (decision["step"] == side) & (decision["order"] == "monotone")
    chart = charts.sweep_chart(decision, study.target, TRACE)
    (label,) = (text for text in chart.figure.axes[0].texts if text.get_text().startswith("decision"))
    assert label.get_horizontalalignment() == ("left" if side == 1.0 else "right")


@pytest.mark.parametrize(
    "changes",
    [
        [("planes = 4", "planes = 2"), ('order = ["monotone", "interleaved"]', "")],
        [("planes = 4", "planes = 2"), ("[1.0, 2.0, 3.0]", "[1.0, 2.0]")],
        [("planes = 4", "planes = 40")],
        [("planes = 4\n", "planes = 8\n"), ('"interleaved"]', "[7, 6, 5, 4, 3, 2, 1, 0]]")],
    ],
)
def test_sizes(tmp_path, changes):
    for chart in every_chart(tmp_path, *changes):
        chart.figure.draw_without_rendering()


@pytest.mark.parametrize(
    ("kinds", "years"), [(("fleet",), 1), (("fleet", "debris"), 14), (("fleet", "a", "b", "c"), 40)]
)
def test_found_of_any_length(tmp_path, kinds, years):
    chart = charts.found_chart(counts(kinds, years), 5.0, "2031-04-01", TRACE)
    chart.figure.draw_without_rendering()
    titles = [axes.get_title(loc="left") for axes in chart.figure.axes]
    assert titles[0] == "fleet: closest 12 m"
    assert len(titles) == len(kinds)


def test_matrix_shows_each_pair_once_and_zeros_as_dots(tmp_path):
    study = fakes.study(tmp_path)
    rates = fakes.fleet_rates(study).sel(layout=1, within_km=5.0)
    chart = charts.rates_chart(rates, TRACE)
    axes = chart.figure.axes[0]
    (dots,) = axes.lines
    assert list(zip(*dots.get_data(), strict=True)) == [(3, 0)]  # planes three apart never meet
    values = {text.xy: text.get_text() for text in axes.texts}
    assert set(values) == {(1, 0), (2, 1), (3, 2), (2, 0), (3, 1)}
    assert values[(1, 0)] == "0.0062"  # 1e-3 * 25 / 4
