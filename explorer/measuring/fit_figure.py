"""How far each reading lies from what the fitted laws give, drawn."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

from explorer.measuring.fitting import Fit
from explorer.measuring.results import Measured

_LINE, _USUAL, _FAR = "#30343b", "#c9d6df", "#b4532a"
TWO_SDS, THREE_SDS = 2.0, 3.0


def residual_figure(rows: Sequence[Measured]) -> str:
    """An SVG: a line a reading, by how many standard uncertainties it lies off, the band of two
    shaded; what lies beyond three in another colour. Readings that were left out are named.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    readings = [
        (f"{row.id} {where}", error)
        for row in rows
        for where, error in _residuals(row.fits).items()
    ]
    left_out = [
        f"{row.id} {where}" for row in rows for f in row.fits.values() for where in f.dropped
    ]
    names = [name for name, _ in readings] + left_out
    figure = Figure(figsize=(7.0, 1.2 + 0.28 * max(len(names), 1)), layout="constrained")
    axes = figure.subplots()
    axes.axvspan(-TWO_SDS, TWO_SDS, color=_USUAL, linewidth=0)
    axes.axvline(0.0, color=_LINE, linewidth=0.8)
    for place, (_, error) in enumerate(readings):
        colour = _FAR if abs(error) > THREE_SDS else _LINE
        axes.plot([0.0, error], [place, place], color=colour, linewidth=1.0)
        axes.plot([error], [place], marker="o", color=colour, markersize=4)
    for place, _ in enumerate(left_out, len(readings)):
        axes.text(0.0, place, "left out", color=_FAR, ha="center", va="center")
    axes.set_yticks(range(len(names)), names)
    axes.set_ylim(max(len(names), 1) - 0.5, -0.5)
    axes.set_xlim(*_limits([error for _, error in readings]))
    axes.set_xlabel("reading less fitted law, in standard uncertainties")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    stream = io.StringIO()
    with rc_context({"svg.hashsalt": "fits"}):  # the same readings give the same file
        figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()


def _residuals(fits: Mapping[str, Fit]) -> dict[str, float]:
    return {where: error for one in fits.values() for where, error in one.residuals.items()}


def _limits(errors: Sequence[float]) -> tuple[float, float]:
    most = max([THREE_SDS, *(abs(error) for error in errors)])
    return -1.1 * most, 1.1 * most
