"""A log and what builds of its design would show, drawn."""

from __future__ import annotations

import io

from explorer.measuring.log_judgement import JudgedLog, course_of

_READ, _USUAL, _MIDDLE = "#b4532a", "#c9d6df", "#30343b"
_LABELS = {"bus_V": "bus, V", "out_W": "into the pack, W"}


def log_figure(judged: JudgedLog) -> str:
    """An SVG: for bus voltage and power into the pack, as far as the log has them, the band that
    holds 95 % of builds, its middle, and the log.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    shown = list(judged.bands) or ["bus_V"]
    figure = Figure(figsize=(8.0, 2.6 * len(shown) + 0.6), layout="constrained")
    all_axes = figure.subplots(len(shown), 1, sharex=True, squeeze=False)[:, 0]
    time_s = judged.log.time_s
    for name, axes in zip(judged.bands, all_axes, strict=False):
        low, middle, high = judged.bands[name]
        axes.fill_between(time_s, low, high, color=_USUAL, linewidth=0, label="95 % of builds")
        axes.plot(time_s, middle, color=_MIDDLE, linewidth=0.8, label="half of builds below")
        axes.plot(time_s, course_of(judged.log, name), color=_READ, linewidth=1.0, label="log")
        axes.set_ylabel(_LABELS[name])
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    all_axes[-1].set_xlabel("seconds since the log's first row")
    if judged.bands:
        all_axes[0].legend(frameon=False, ncols=3, loc="lower right")
    stream = io.StringIO()
    with rc_context({"svg.hashsalt": "log"}):  # the same log gives the same file
        figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()
