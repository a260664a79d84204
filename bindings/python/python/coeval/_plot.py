"""Pictures of results, with matplotlib."""

from __future__ import annotations

from typing import TYPE_CHECKING, Optional

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from ._pair import LagCurve, PairAlignment
    from ._shoot import Alignment
    from ._speech import SpeechCurve
    from ._tighten import Plan, Voices


def shown_origin(origin: str) -> str:
    """The origin of a voice as tables and plots show it. Files say ``"intercom"`` for any local voice."""
    return "local" if origin == "intercom" else origin


def _axes(ax: Optional[Axes], height: float) -> Axes:
    if ax is not None:
        return ax
    try:
        import matplotlib.pyplot as plt
    except ImportError as error:
        raise ImportError("drawing needs matplotlib: pip install coeval[plot]") from error
    _, made = plt.subplots(figsize=(9.0, height), layout="constrained")
    return made


def plot_pair(result: PairAlignment, ax: Optional[Axes]) -> Axes:
    """Offset over time, in milliseconds from the offset at the start of `b`; without `ax`, with the residuals below it."""
    below = None
    if ax is None and result.placed:
        ax, below = _two_axes()
    ax = _axes(ax, 3.6)
    name_a, name_b = result.sources or ("a", "b")
    lowest = below or ax
    lowest.set_xlabel(f"time in {name_b} (s)")
    ax.grid(alpha=0.3)
    if not result.placed:
        ax.set_title(f"{name_a} and {name_b} unplaced: {result.reason}")
        return ax
    found, (b_s, a_s) = result.evidence, result.knots.T
    start_s = max(0.0, float(result.clock_map.to_file(0.0)))
    for axes in filter(None, (ax, below)):
        axes.axvspan(start_s, start_s + result.overlap_s, color="tab:green", alpha=0.08, linewidth=0, label="both run")
    _measured(ax, found.b_s, (found.a_s - found.b_s - result.offset_s) * 1e3, found.sigma_s * 1e3)
    ax.plot(b_s, (a_s - b_s - result.offset_s) * 1e3, color="tab:orange", label="map")
    ax.set_ylabel(f"{name_a} minus {name_b},\nfrom {result.offset_s:.4f} s (ms)")
    ax.set_title(str(result))
    ax.legend()
    if below is not None:
        residual_s = found.a_s - result.clock_map.to_timeline(found.b_s)
        _measured(below, found.b_s, residual_s * 1e3, found.sigma_s * 1e3)
        below.axhline(0.0, color="tab:orange")
        below.set_ylabel("residual (ms)")
        below.grid(alpha=0.3)
    return ax


def _two_axes() -> tuple[Axes, Axes]:
    first = _axes(None, 5.2)
    figure = first.figure
    first.remove()
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=[2, 1])
    return above, below


def _measured(ax: Axes, b_s: NDArray[np.float64], ms: NDArray[np.float64], sigma_ms: NDArray[np.float64]) -> None:
    ax.errorbar(
        b_s,
        ms,
        yerr=sigma_ms,
        fmt=".",
        markersize=4,
        linewidth=0.8,
        color="tab:blue",
        label="measured, with std. dev.",
    )


def plot_lag(curve: LagCurve, ax: Optional[Axes]) -> Axes:
    """Correlation over lag, with its rivals marked."""
    ax = _axes(ax, 2.8)
    ax.plot(curve.lag_s, curve.correlation, color="tab:blue", linewidth=0.8, label="correlation")
    if len(curve.rival_lag_s):
        ax.plot(curve.rival_lag_s, curve.rival_correlation, "v", color="tab:red", label="rivals")
    ax.axvline(0.0, color="tab:orange", linewidth=0.8, label="as aligned")
    ax.set_xlabel("lag from the alignment (s)")
    ax.set_ylabel("correlation")
    ax.grid(alpha=0.3)
    ax.legend()
    return ax


def plot_shoot(alignment: Alignment, ax: Optional[Axes]) -> Axes:
    """One row for each recording on the timeline (of the first event, if there are several); the title names unplaced files."""
    if alignment.events:
        alignment = alignment.event(1)
    rows = [recording for recording in alignment.recordings if any(file.placed for file in recording.files)]
    ax = _axes(ax, 1.2 + 0.5 * len(rows))
    colours = {"camera": "tab:blue", "recorder": "tab:orange", "other": "tab:grey"}
    for row, recording in enumerate(rows):
        for file in recording.files:
            if not file.placed:
                continue
            start, end = file.knots[0, 1], file.knots[-1, 1]
            ax.barh(row, end - start, left=start, height=0.6, color=colours.get(recording.kind, "tab:grey"), alpha=0.7)
            ax.text(start, row, f" {file.path.rsplit('/', 1)[-1]}", va="center", fontsize=8, clip_on=True)
            moments = [float(file.clock_map.to_timeline(jump.file_s)) for jump in file.jumps]
            ax.plot(moments, np.full(len(moments), row), "|", color="black", markersize=16)
    ax.set_yticks(range(len(rows)), [recording.id for recording in rows])
    ax.invert_yaxis()
    ax.set_xlabel(f"timeline (s), clock of {alignment.clock}")
    if alignment.unplaced:
        ax.set_title("unplaced: " + ", ".join(file.path for file in alignment.unplaced), fontsize=9)
    return ax


def plot_speech(curve: SpeechCurve, ax: Optional[Axes]) -> Axes:
    """Probability of speech over time; stretches of speech are shaded by their origin, as their frequency band tells it."""
    ax = _axes(ax, 2.8)
    ax.plot(curve.times_s, curve.probability, color="tab:blue", linewidth=0.8)
    colours = {"intercom": "tab:green", "radio": "tab:red"}
    named: set[str] = set()
    for segment in curve.segments():
        origin = segment.origin()
        label = None if origin in named else f"{shown_origin(origin)} (by its frequency band)"
        named.add(origin)
        ax.axvspan(segment.start_s, segment.end_s, color=colours.get(origin, "tab:grey"), alpha=0.2, label=label)
    ax.set_ylim(0.0, 1.0)
    ax.set_xlabel("time (s)")
    ax.set_ylabel("probability of speech")
    if named:
        ax.legend()
    return ax


def plot_voices(voices: Voices, ax: Optional[Axes]) -> Axes:
    """Voices on the timeline, one row for each origin."""
    rows = sorted({voice.origin for voice in voices.voices})
    ax = _axes(ax, 1.2 + 0.5 * len(rows))
    for row, origin in enumerate(rows):
        spans = [(v.start_s, v.end_s - v.start_s) for v in voices.voices if v.origin == origin]
        colour = {"intercom": "tab:green", "radio": "tab:red"}.get(origin, "tab:grey")
        ax.broken_barh(spans, (row - 0.3, 0.6), color=colour, alpha=0.7)
    ax.set_yticks(range(len(rows)), [shown_origin(origin) for origin in rows])
    ax.invert_yaxis()
    ax.set_xlabel("timeline (s)")
    return ax


def plot_plan(plan: Plan, ax: Optional[Axes]) -> Axes:
    """The plan along the timeline: what each camera shows, what is sped up, and what is dropped."""
    frame_s = plan.frame_rate[1] / plan.frame_rate[0]
    rows = sorted({entry.camera or "no picture" for entry in plan.kept}) + ["dropped"]
    ax = _axes(ax, 1.2 + 0.5 * len(rows))
    colours = {"show": "tab:green", "pass": "tab:orange", "drop": "tab:grey"}
    for entry in plan.entries:
        row = rows.index("dropped" if entry.fate == "drop" else entry.camera or "no picture")
        length_s = (entry.to_frame - entry.from_frame) * frame_s
        ax.barh(row, length_s, left=entry.from_frame * frame_s, height=0.6, color=colours[entry.fate], alpha=0.7)
    ax.set_yticks(range(len(rows)), rows)
    ax.invert_yaxis()
    ax.set_xlabel("timeline (s)")
    ax.set_title(f"rough cut of {plan.shown_s:.1f} s")
    return ax
