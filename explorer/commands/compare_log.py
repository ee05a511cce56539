"""measure compare with a log: what a running chain shows beside what its builds would."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from explorer.commands.compare import chosen_design, outcome
from explorer.files import write_atomic
from explorer.inputs.study import load
from explorer.measuring.built_readings import Built
from explorer.measuring.log_figure import log_figure
from explorer.measuring.log_judgement import BUILDS, Finding, JudgedLog, Reference, judged_log
from explorer.measuring.plug_log import read_log


def compare_log(
    study: Path,
    log: Path,
    *,
    design: Path | None = None,
    lock: str | None = None,
    figure: Path | None = None,
    builds: int = BUILDS,
) -> dict[str, Any]:
    """A log of a chain that runs from an empty bank on, beside builds of its design.

    `figure`: the SVG to write, beside the log without it. InputError with every fault of the log;
    nothing is then written.
    """
    project = load(study)
    name, built = chosen_design(project, design, lock)
    read = read_log(log)
    judged = judged_log(read, Reference.of(project, built.design, read.time_s, builds))
    beyond = [one for one in judged.findings if abs(one.sds) > judged.limit_sds]
    after = as_logged_built(built, beyond)
    file = log.with_suffix(".svg") if figure is None else figure
    write_atomic(file, log_figure(judged))
    return {
        "design": name,
        "log": str(log),
        "signs": [_sign(one, judged) for one in judged.findings],
        "parameters": [
            {"link": one.sign.links[0], "column": column, "factor": one.read / one.usual}
            for one in judged.findings
            for column in one.sign.columns
        ],
        "residual_rms_W": _residual_W(judged),
        "suspect": _suspect(judged),
        "in_band_share": _in_band_share(judged),
        "figure": str(file),
        **outcome(built, after),
    }


def as_logged_built(built: Built, beyond: list[Finding]) -> Built:
    """The chain as signs out of their bands say that it is. A machine's EMF counts as times the
    current that it puts into a nearly empty bank, where little else limits it.
    """
    for one in beyond:
        key, factor = one.sign.key, one.read / one.usual
        if key in ("bank_ohm", "bank_F"):
            built = built.with_part("cell", one.sign.columns, max(factor, 1e-3))
        elif key == "charge_share":
            built = built.with_part("generator", ("emf_phase_V_s",), max(factor, 1e-3))
        elif key == "cadence_rpm":
            built = built.with_setting("cadence_rpm", one.read)
        elif key == "out_V" and one.sds < 0:
            amps = built.project.catalogue.packs[built.project.study.session.packs[0]].current_A
            ohm = float(built.part("pack_lead").resistance_ohm)
            more = (one.usual - one.read) / max(amps, 1e-6)
            built = built.with_part("pack_lead", ("resistance_ohm",), 1 + more / max(ohm, 1e-6))
        elif key == "out_V":
            built = built.with_part("converter", ("output_V",), factor)
    return built


def _sign(one: Finding, judged: JudgedLog) -> dict[str, Any]:
    out = abs(one.sds) > judged.limit_sds
    return {
        "sign": one.sign.key,
        "about": one.sign.about,
        "unit": one.sign.unit,
        "read": one.read,
        "expected": one.usual,
        "band": [one.low, one.high],
        "in_band": not out,
        "links": list(one.sign.links),
        "means": one.meaning if out else "",
    }


def _suspect(judged: JudgedLog) -> dict[str, Any] | None:
    one = judged.suspect
    if one is None:
        return None
    unit = f" {one.sign.unit}" if one.sign.unit else ""
    reason = f"{one.sign.about}: {one.read:.3g}{unit} instead of {one.usual:.3g}: {one.meaning}"
    return {
        "link": one.sign.links[0],
        "or": list(one.sign.links[1:]),
        "reason": reason,
        "chance": judged.chance,
    }


def _residual_W(judged: JudgedLog) -> float | None:
    if "out_W" not in judged.bands:
        return None
    columns = judged.log.columns
    off = columns["out_V"] * columns["out_A"] - judged.bands["out_W"][1]
    return float(np.sqrt(np.mean(off**2)))


def _in_band_share(judged: JudgedLog) -> float | None:
    """Share of the rows whose bus voltage, or else power, 95 % of builds have at that time."""
    for name, (low, _, high) in judged.bands.items():
        columns = judged.log.columns
        read = columns[name] if name in columns else columns["out_V"] * columns["out_A"]
        return float(np.mean((read >= low) & (read <= high)))
    return None
