"""The charts of a report: each a function of Datasets, each to be filed alone.

Every caption says what is shown, of which case, with which model and assumptions, and from which run.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, LogNorm
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, Locator, MaxNLocator, MultipleLocator

from shells.report.drawing import INK, PLUM, QUIET, RUST, SAND, TEAL, Chart, Trace, frame, styled
from shells.report.logscale import ZeroAxis
from shells.report.rounding import significant
from shells.report.wording import short, years
from shells.study.configuration import TargetTable

#: Planes or years up to which each is labelled with its number and value; more would run into each other.
_LABELLED = 14
#: Planes up to which a cell of the matrix has room for two digits.
_ROOMY = 10

_ORDER_STYLES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))
_THRESHOLD_COLOURS = (INK, TEAL, SAND, PLUM, RUST)
_CAUSES = {
    "collisions_control": ("inside tolerances", TEAL, "o"),
    "collisions_fault": ("faults (assumed)", RUST, "s"),
    "collisions_debris": ("debris", QUIET, "^"),
}
_BEHIND = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
_DENSITY = LinearSegmentedColormap.from_list("density", ["#f3eee2", "#c3cfc0", "#6fa5a2", TEAL, "#123a4a"])


@styled
def planes_chart(planes: xr.Dataset, trace: Trace) -> Chart:
    """Draw the mean radius of each plane with its tolerance band.

    Parameters
    ----------
    planes : Dataset
        PLANES.
    trace : Trace
        Where it comes from.

    Returns
    -------
    Chart
        Named "planes".
    """
    chart, (axes,) = frame(
        "planes",
        "Height of the shells",
        "Mean radius of each plane less 6378.137 km (dash), and the band of radius at a fixed place that one of its "
        "held satellites keeps to, of what is normal 5 standard deviations; tesseral ripple not counted (box).",
        trace,
        height=3.1,
    )
    number = planes["plane"].values
    middle = planes["mean_radius_altitude"].values
    low, high = planes["radius_low"].values, planes["radius_high"].values
    axes.bar(number, high - low, bottom=low, width=0.62, color="#cfe0df", edgecolor=TEAL, linewidth=0.8, label="band")
    axes.hlines(middle, number - 0.31, number + 0.31, color=INK, linewidth=1.3)
    if number.size <= _LABELLED:
        for place, top, value in zip(number, high, middle, strict=True):
            axes.annotate(
                f"{value:.2f}", (place, top), (0, 3), textcoords="offset points", ha="center", fontsize=7, bbox=_BEHIND
            )
    room = 0.08 * max(np.ptp(np.concatenate([low, high])), 0.5)
    axes.set_ylim(low.min() - room, high.max() + 1.5 * room)
    axes.set_xlim(number.min() - 0.7, number.max() + 0.7)
    axes.xaxis.set_major_locator(_whole_numbers(number.size))
    axes.set_xlabel("plane")
    axes.set_ylabel("radius less 6378.137 km [km]")
    return chart


@styled
def sweep_chart(decision: xr.Dataset, target: TargetTable, trace: Trace) -> Chart:
    """Draw approaches and collision risk against the altitude step, with target and decision.

    Parameters
    ----------
    decision : Dataset
        DECISION.
    target : TargetTable
        The target of the study.
    trace : Trace
        Where it comes from.

    Returns
    -------
    Chart
        Named "sweep".
    """
    orders = dict(zip(dict.fromkeys(decision["order"].values.tolist()), _ORDER_STYLES * 9, strict=False))
    chosen = decision.isel(case=np.flatnonzero(decision["chosen"].values))
    chart, panels = frame(
        "sweep",
        "What each altitude step costs",
        "Approaches and collisions expected each year, and the quantity that the target limits (debris not counted), "
        "against the step between neighbouring shells; fleet totals, no avoidance. Values of exactly zero stand in the "
        "row 'zero', positive values below the decades shown in the row 'less'. "
        + ("Bars are standard errors of drawing the debris anew. " if _has_debris(decision) else "")
        + (
            "The vertical line marks the decision."
            if chosen.sizes["case"]
            else "No case of this sweep meets the target."
        ),
        trace,
        height=6.9,
        nrows=3,
        sharex=True,
        gridspec_kw={"height_ratios": [1.25, 1.0, 1.0]},
    )
    _draw_approaches(panels[0], decision, orders)
    _draw_causes(panels[1], decision, orders)
    _draw_target(panels[2], decision, target, orders)
    for axes in panels:
        for step in chosen["step"].values:
            axes.axvline(step, color=INK, linewidth=0.9, zorder=1.0)
    left, right = _padded(decision["step"].values)
    for step, order in zip(chosen["step"].values, chosen["order"].values, strict=True):
        before = step > 0.5 * (left + right)
        panels[0].annotate(
            f"decision: {step:g} km, {short(order, 16)}",
            (step, 1.0),
            (-4 if before else 4, 3),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right" if before else "left",
            fontsize=7.5,
            fontweight="bold",
        )
    panels[-1].set_xlabel("altitude step between neighbouring shells [km]")
    panels[-1].set_xlim(left, right)
    return chart


@styled
def sensitivity_chart(sensitivity: xr.Dataset, trace: Trace) -> Chart:
    """Draw how the step that just meets the target moves when one assumption is doubled.

    Parameters
    ----------
    sensitivity : Dataset
        SENSITIVITY.
    trace : Trace
        Where it comes from.

    Returns
    -------
    Chart
        Named "drivers".
    """
    stated = float(sensitivity["stated_required_step"])
    names = sensitivity["parameter"].values.tolist()
    steps = sensitivity["required_step"].values
    missing = [name for name, step in zip(names, steps, strict=True) if np.isnan(step)]
    chart, (axes,) = frame(
        "drivers",
        "What drives the step",
        "Step between shells that just meets the target: under the stated assumptions (vertical line), and with one "
        "assumption doubled (mark), in the order of the searched case."
        + (f" Doubled, no step meets the target for: {', '.join(missing)}." if missing else ""),
        trace,
        height=0.9 + 0.32 * len(names),
    )
    place = np.arange(len(names))
    axes.hlines(place, stated, steps, color=TEAL, linewidth=2.2)
    axes.plot(steps, place, "o", color=TEAL)
    axes.axvline(stated, color=INK, linewidth=0.9)
    for row, step in zip(place, steps, strict=True):
        right = step >= stated or np.isnan(stated)
        axes.annotate(
            f"{step:.2f}",
            (step, row),
            (6 if right else -6, 0),
            textcoords="offset points",
            ha="left" if right else "right",
            va="center",
            fontsize=7,
        )
    axes.set_yticks(
        place, [_named(name, value) for name, value in zip(names, sensitivity["stated"].values, strict=True)]
    )
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.margins(x=0.12)
    axes.set_ylabel("assumption doubled")
    axes.set_xlabel(f"step that just meets the target [km]; stated: {stated:.2f}")
    return chart


def _named(parameter: str, stated: float) -> str:
    """Return a parameter of a study file with its stated value and what it is doubled to."""
    return f"{parameter.partition('.')[2]}  {stated:g} → {2.0 * stated:g}"


def _has_debris(decision: xr.Dataset) -> bool:
    return bool(np.isfinite(decision["debris_approaches"].values).any())


def _draw_approaches(axes: Axes, decision: xr.Dataset, orders: dict[str, Any]) -> None:
    within = decision["within_km"].values
    largest = decision.sel(within_km=within.max())
    debris, errors = largest["debris_approaches"], largest["debris_approaches_error"]
    axis = ZeroAxis.holding([*decision["fleet_approaches"].values.flat, *debris.values, *(debris + errors).values])
    axis.apply(axes)
    handles = []
    for number, (threshold, colour) in enumerate(zip(within, _THRESHOLD_COLOURS * 9, strict=False)):
        style = {
            "color": colour,
            "marker": "o",
            "markersize": 3.5 + 1.5 * (number % 5),
            "label": f"fleet, within {threshold:g} km",
        }
        handles.append(
            _draw_lines(axes, decision, decision["fleet_approaches"].sel(within_km=threshold), axis, orders, style)
        )
    if _has_debris(decision):
        style = {"color": QUIET, "marker": "^", "label": f"debris, within {within.max():g} km"}
        handles.append(_draw_lines(axes, decision, debris, axis, orders, style))
        _draw_errors(axes, decision, debris, errors, axis)
    if len(orders) > 1:
        handles += [
            Line2D([], [], color=INK, linestyle=style, label=f"order {short(name, 16)}")
            for name, style in orders.items()
        ]
    _legend(axes, handles)
    axes.set_ylabel("approaches [1/year]")


def _draw_causes(axes: Axes, decision: xr.Dataset, orders: dict[str, Any]) -> None:
    debris, errors = decision["collisions_debris"], decision["collisions_debris_error"]
    axis = ZeroAxis.holding(
        [*(value for name in _CAUSES for value in decision[name].values), *(debris + errors).values]
    )
    axis.apply(axes)
    handles = [
        _draw_lines(axes, decision, decision[name], axis, orders, {"label": label, "color": colour, "marker": marker})
        for name, (label, colour, marker) in _CAUSES.items()
        if np.isfinite(decision[name].values).any()
    ]
    _draw_errors(axes, decision, debris, errors, axis)
    _legend(axes, handles)
    axes.set_ylabel("collisions [1/year]")


def _draw_target(axes: Axes, decision: xr.Dataset, target: TargetTable, orders: dict[str, Any]) -> None:
    quantity = decision["target_quantity"]
    axis = ZeroAxis.holding([*quantity.values, target.value])
    axis.apply(axes)
    expected = _draw_lines(axes, decision, quantity, axis, orders, {"color": INK, "marker": "D", "label": "expected"})
    limit = axes.axhline(target.value, color=RUST, linestyle=(0, (6, 2)), label=f"target {target.value:g}")
    chosen = decision["chosen"].values
    axes.plot(
        decision["step"].values[chosen],
        axis.height(quantity.values[chosen]),
        "o",
        color=INK,
        fillstyle="none",
        markersize=11,
    )
    _legend(axes, [expected, limit])
    whom = {"fleet": "whole fleet", "satellite": "one satellite"}[target.scope]
    what = {"collisions": "collisions", "probability": "probability of\na collision"}[target.quantity]
    axes.set_ylabel(f"{what} in {years(target.years)},\n{whom}")


def _draw_lines(
    axes: Axes,
    decision: xr.Dataset,
    values: xr.DataArray,
    axis: ZeroAxis,
    orders: dict[str, Any],
    style: dict[str, Any],
) -> Line2D:
    """Draw one line for each order of the planes; hollow marks for what stands in the rows 'less' and 'zero'."""
    handle = Line2D([], [], linestyle="-", **{**style, "markersize": 4.5})
    for order, dashes in orders.items():
        mine = decision["order"].values == order
        ascending = np.argsort(decision["step"].values[mine])
        step = decision["step"].values[mine][ascending]
        value = values.values[mine][ascending]
        height = axis.height(value)
        in_row = value < 10.0**axis.low
        axes.plot(step, np.where(in_row, np.nan, height), linestyle=dashes, **{**style, "markersize": 4.5})
        axes.plot(step, np.where(in_row, height, np.nan), linestyle="", fillstyle="none", **style)
        beside_row = in_row.copy()
        beside_row[1:] |= in_row[:-1]
        beside_row[:-1] |= in_row[1:]
        axes.plot(
            step, np.where(beside_row, height, np.nan), color=style["color"], linestyle=":", linewidth=0.7, zorder=1.5
        )
    return handle


def _draw_errors(axes: Axes, decision: xr.Dataset, values: xr.DataArray, errors: xr.DataArray, axis: ZeroAxis) -> None:
    """Draw standard errors of what debris adds, down to the foot of the decades; none of what stands in the rows."""
    value, foot = values.values, 10.0**axis.low
    shown = value >= foot  # not where it is missing
    below = np.minimum(errors.values, value - foot)
    axes.errorbar(
        decision["step"].values[shown],
        value[shown],
        yerr=[below[shown], errors.values[shown]],
        fmt="none",
        ecolor=QUIET,
        capsize=2.5,
    )


@styled
def found_chart(found: xr.Dataset, within_km: float, start: str, trace: Trace) -> Chart:
    """Draw the approaches that the exact search found, by mission year and population.

    Parameters
    ----------
    found : Dataset
        FOUND.
    within_km : float
        Threshold of the search [km].
    start : str
        Start of the mission, as it is to be printed.
    trace : Trace
        Where it comes from.

    Returns
    -------
    Chart
        Named "found".
    """
    kinds = found["kind"].values.tolist()
    chart, panels = frame(
        "found",
        f"Approaches within {within_km:g} km found by the exact search",
        f"Approaches of fleet satellites counted in each year of the mission, year 1 from {start}, by the population "
        "of the other object, each with its own scale. Satellites fly the reference orbits of their planes, without "
        "departures, faults or tesserals.",
        trace,
        height=0.35 + 0.95 * len(kinds),
        nrows=len(kinds),
        sharex=True,
    )
    year = found["year"].values + 1
    for axes, kind in zip(panels, kinds, strict=True):
        counts = found["found"].sel(kind=kind).values
        axes.bar(year, counts, width=0.6, color=TEAL)
        for place, count in zip(year, counts, strict=True) if year.size <= _LABELLED else ():
            axes.annotate(f"{count}", (place, count), (0, 2), textcoords="offset points", ha="center", fontsize=7)
        axes.set_ylim(0.0, 1.3 * max(counts.max(), 1))
        axes.yaxis.set_major_locator(MaxNLocator(3, integer=True))
        miss = float(found["smallest_miss"].sel(kind=kind))
        axes.set_title(kind + ("" if np.isnan(miss) else f": closest {_distance(miss)}"), fontsize=8)
        axes.set_ylabel("found")
    panels[-1].set_xlim(0.3, max(year.max(), 5) + 0.7)
    panels[-1].xaxis.set_major_locator(
        FixedLocator(year.tolist()) if year.size <= _LABELLED else MaxNLocator(integer=True)
    )
    panels[-1].set_xlabel("year of the mission")
    return chart


@styled
def rates_chart(rates: xr.Dataset, trace: Trace) -> Chart:
    """Draw the matrix of expected approaches between planes.

    Parameters
    ----------
    rates : Dataset
        RATES over plane and other_plane: one case, one threshold, each pair once, at plane below other_plane.
    trace : Trace
        Where it comes from.

    Returns
    -------
    Chart
        Named "rates".
    """
    within = float(rates["within_km"])
    chart, (axes,) = frame(
        "rates",
        f"Approaches within {within:g} km between planes",
        "Expected approaches each year between the satellites of two planes, inside their tolerances, phase-averaged, "
        "each pair of planes once. A dot marks exactly zero.",
        trace,
        height=min(4.6, 1.4 + 0.4 * rates.sizes["plane"]),
    )
    number = rates["plane"].values
    rate = rates["rate"].transpose("plane", "other_plane").values
    pair = number[:, None] < number[None, :]
    positive = rate[pair & (rate > 0.0)]
    if positive.size:
        norm = LogNorm(max(positive.min(), positive.max() * 1e-9), positive.max() * 1.0001, clip=True)
        cells = np.ma.masked_where(~pair | (rate == 0.0), rate)
        mesh = axes.pcolormesh(number, number, cells, norm=norm, cmap=_DENSITY, edgecolors="white", linewidth=0.8)
        bar = chart.figure.colorbar(mesh, ax=axes, shrink=0.8, aspect=28, pad=0.02)
        bar.set_label("approaches [1/year]")
        bar.ax.minorticks_off()
    row, column = np.nonzero(pair & (rate == 0.0))
    axes.plot(number[column], number[row], ".", markersize=4.5, color=QUIET)
    digits = 2 if number.size <= _ROOMY else 1
    for row, column in np.argwhere(pair & (rate > 0.0)) if number.size <= _LABELLED else ():
        axes.annotate(
            significant(rate[row, column], digits),
            (number[column], number[row]),
            ha="center",
            va="center",
            fontsize=6.2 if digits == 2 else 5.5,
            color="white" if norm(rate[row, column]) > 0.5 else INK,
        )
    axes.set_aspect("equal")
    axes.grid(False)
    axes.spines[:].set_visible(False)
    axes.tick_params(length=0)
    axes.set_xlim(number.min() + 0.5, number.max() + 0.6)
    axes.set_ylim(number.max() - 0.4, number.min() - 0.5)
    axes.xaxis.set_major_locator(_whole_numbers(number.size))
    axes.yaxis.set_major_locator(_whole_numbers(number.size))
    axes.set_xlabel("other plane")
    axes.set_ylabel("plane")
    return chart


def _legend(axes: Axes, handles: list[Any]) -> None:
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.02), borderaxespad=0.3, handlelength=2.4)


def _whole_numbers(count: int) -> Locator:
    return MultipleLocator(1) if count <= _LABELLED else MaxNLocator(_LABELLED, integer=True)


def _padded(values: Any) -> tuple[float, float]:
    pad = 0.05 * max(float(np.ptp(values)), 0.5)
    return float(values.min()) - pad, float(values.max()) + pad


def _distance(kilometres: float) -> str:
    return f"{significant(kilometres, 3)} km" if kilometres >= 1.0 else f"{significant(1000.0 * kilometres)} m"
