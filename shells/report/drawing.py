"""The look of the charts, and the frame that every chart shares: title, axes, caption with its trace, saving.

Charts are drawn at the text width of an A4 page, in colours that differ in lightness as well as in hue, so that they
survive a grey printer and colour-blind eyes. Files are byte-reproducible: no dates, fixed identifiers.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

INK = "#1f262d"
QUIET = "#76808a"
GRID = "#dcdfe2"
TEAL = "#0c6a6d"
RUST = "#b9562a"
PLUM = "#5c3b77"
SAND = "#d8b365"

#: Text width of an A4 page with margins of 20 mm [inch].
WIDTH = 170.0 / 25.4

_METADATA = re.compile(r"<metadata>.*?</metadata>\s*", re.DOTALL)
_REFERENCE = re.compile(r'(\bid="|href="#|url\(#)([^")]+)')
_HEAD = 0.3
_CAPTION_LINE = 0.135
_CAPTION_WIDTH = 118
_STYLE: Any = {
    "axes.axisbelow": True,
    "axes.edgecolor": QUIET,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.labelcolor": INK,
    "axes.labelsize": 8.5,
    "axes.linewidth": 0.8,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9.0,
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "lines.linewidth": 1.4,
    "lines.markersize": 4.5,
    "svg.fonttype": "path",
    "text.color": INK,
    "xtick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.color": QUIET,
    "ytick.labelcolor": INK,
}

#: Decorator of every function that draws.
styled = matplotlib.rc_context(_STYLE)


@dataclass(frozen=True)
class Trace:
    """Where a chart comes from: printed under each, so that it can be filed alone.

    Parameters
    ----------
    run : str
        Name of the run.
    study_hash : str
        Hash of the study.
    version : str
        Version of the library, with its commit where known.
    case : str
        The case shown, in words.
    model : str
        Model and assumptions, in words.
    """

    run: str
    study_hash: str
    version: str
    case: str
    model: str

    @property
    def line(self) -> str:
        """Run, hash and version in one line."""
        return f"Run {self.run}, study {self.study_hash[:12]}, shells {self.version}."


@dataclass(frozen=True)
class Chart:
    """A finished chart.

    Parameters
    ----------
    name : str
        Stem of its files.
    figure : Figure
        The drawing.
    caption : str
        What is shown, with case, model and run.
    """

    name: str
    figure: Figure
    caption: str

    def save(self, directory: Path) -> str:
        """Save the chart as SVG, PDF and PNG.

        Parameters
        ----------
        directory : Path
            Where to.

        Returns
        -------
        str
            The SVG element for a page, its identifiers beginning with the chart's name.
        """
        # the identifiers inside an SVG come from the salt: one for each chart, or they would clash on one page
        with matplotlib.rc_context({**_STYLE, "svg.hashsalt": self.name}):
            self._fix_layout()
            self.figure.savefig(directory / f"{self.name}.svg", metadata={"Date": None})
            self.figure.savefig(directory / f"{self.name}.pdf", metadata={"CreationDate": None})
            self.figure.savefig(directory / f"{self.name}.png", dpi=200)
        text = (directory / f"{self.name}.svg").read_text(encoding="utf-8")
        element = _METADATA.sub("", text[text.index("<svg") :])
        return _REFERENCE.sub(rf"\g<1>{self.name}-\g<2>", element)

    def _fix_layout(self) -> None:
        """Lay the axes out once and round their places: the solver of the layout differs in the last digits."""
        self.figure.draw_without_rendering()
        self.figure.set_layout_engine("none")
        for axes in self.figure.axes:
            axes.set_position(Bbox(np.round(axes.get_position(original=True).get_points(), 4)))


def frame(name: str, title: str, reading: str, trace: Trace, *, height: float, **grid: Any) -> tuple[Chart, list[Axes]]:
    """Begin a chart: title above, axes to draw in, caption beneath.

    Parameters
    ----------
    name : str
        Stem of the chart's files.
    title : str
        What the chart shows, in a few words.
    reading : str
        How to read it, in sentences.
    trace : Trace
        Where it comes from.
    height : float
        Height of the part with the axes [inch].
    **grid
        For `Figure.subplots`.

    Returns
    -------
    chart : Chart
        The chart, still empty.
    axes : list of Axes
        Row by row.
    """
    below = f"{reading} {trace.case} {trace.model}"
    lines = [*textwrap.wrap(below, _CAPTION_WIDTH), trace.line]
    foot = 0.14 + _CAPTION_LINE * len(lines)
    whole = _HEAD + height + foot
    figure = Figure(figsize=(WIDTH, whole), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    engine: Any = figure.get_layout_engine()
    engine.set(rect=(0.0, foot / whole, 1.0, height / whole), w_pad=0.04, h_pad=0.05)
    figure.text(0.012, 1.0 - 0.1 / whole, title, va="top", fontsize=10.5, fontweight="bold")
    figure.text(0.012, (foot - 0.08) / whole, "\n".join(lines), va="top", fontsize=6.8, linespacing=1.35)
    axes = list(figure.subplots(squeeze=False, **grid).flat)
    return Chart(name, figure, f"{title}. {below} {trace.line}"), axes
