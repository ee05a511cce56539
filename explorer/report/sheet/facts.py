"""Everything that is computed for a build sheet of one design."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import pi
from typing import Any

from explorer.decision.dividers import String, best_string, series, worst_band
from explorer.decision.locked_design import LockedDesign, designs_of_lock
from explorer.errors import Fault, InputError
from explorer.inputs.study import Project
from explorer.model.evaluate import combine_cases
from explorer.model.evaluation import Evaluation
from explorer.model.overspeed import open_V, run_on_rad_s
from explorer.model.record import named
from explorer.model.simulate import Care, Solved, solve
from explorer.model.space import Designs
from explorer.model.stepped import sessions_of
from explorer.model.tolerance import DRAWS, Tolerance, tolerance
from explorer.report import whose
from explorer.report.measured_reach import beyond_currents, beyond_points
from explorer.report.sheet.stock import Bleed, bleed, nearest_of, shunt_ohm
from explorer.units import RAD_S_PER_RPM

DIVIDER_RANGE = 3.0
"""Highest total of a divider over the least that its current allows: a stiffer one is less moved
by a comparator's own input current (common practice, no source)."""


@dataclass(frozen=True)
class Facts:
    """One design and everything computed for it that a sheet needs."""

    project: Project
    designs: Designs
    evaluation: Evaluation
    cases: tuple[Solved, ...]
    spread: Tolerance

    def part(self, link: str) -> Any:
        """The chosen part of a link; of a generator in delta the star that behaves like it."""
        chosen: Any = self.project.catalogue.parts[link][int(self.designs.parts[link][0])]
        return chosen.in_delta if link == "generator" and self.setting("delta") else chosen

    def setting(self, name: str) -> float:
        """A setting of the design."""
        return float(self.designs.settings[name][0])

    @cached_property
    def of_whom(self) -> str:
        """The case that readings belong to, to follow them; empty where there is one case only."""
        if not whose.is_one_of_several(self.project):
            return ""
        case = self.evaluation.cases[int(self.evaluation.ledger_case[0])]
        return f", {whose.case_name(self.project, named(self.project, case))}"

    def reading(self, name: str) -> float:
        """What a person would measure, by the model."""
        return float(self.evaluation.readings[name][0])

    @property
    def unclamped(self) -> bool:
        """Whether the chain goes without a clamp."""
        return not self.part("clamp").present

    @cached_property
    def shaft_rad_s(self) -> float:
        """Speed of the generator at the cadence, rad/s."""
        return self.setting("cadence_rpm") * 2 * pi / 60 * float(self.part("gearing").ratio)

    @cached_property
    def bank_limit_V(self) -> float:
        """The most that the bank may be charged to if its cells are to last, V."""
        return float(self.bank_rating_V * self.part("cell").derating)

    @cached_property
    def bank_rating_V(self) -> float:
        """What the bank must never exceed, V: beyond it cells vent."""
        return float(self.setting("cells_series") * self.part("cell").voltage_V)

    @cached_property
    def beyond_points(self) -> str:
        """What no bench point of its converter covers, in words."""
        parts = {"converter": self.part("converter").id}
        names = ("undervoltage_off_V", "overvoltage_off_V")
        return beyond_points(self.project, parts, {name: self.setting(name) for name in names})

    @cached_property
    def beyond_currents(self) -> str:
        """How far its diodes carry more than they were measured at, in words."""
        parts = {link: self.part(link).id for link in ("generator", "rectifier")}
        return beyond_currents(self.project, parts, self.phase_A)

    @cached_property
    def overspeed_factor(self) -> float:
        """The highest crank speed over the cadence: once the load is gone, the hand runs on."""
        plan = self.project.study.session
        fastest = max(float(run_on_rad_s(plan, case.fronts)[case.half[0]]) for case in self.cases)
        return fastest / (self.setting("cadence_rpm") * RAD_S_PER_RPM)

    @cached_property
    def open_V(self) -> float:
        """Highest bus voltage with load and bank gone, when the crank is spun too fast, V."""
        plan = self.project.study.session
        return max(float(open_V(plan, case.fronts)[case.half[0]]) for case in self.cases)

    @cached_property
    def spun_V(self) -> float:
        """The same with the bank, and what clamps it, in place, V."""
        return self.bank_limit_V - float(self.evaluation.margins["cell_life_V"][0])

    @cached_property
    def fullest_V(self) -> float:
        """Voltage of the fullest cell then, pieces at the worst of their spread, V."""
        string_V = self.bank_rating_V - float(self.evaluation.margins["cell_voltage_V"][0])
        return string_V / self.setting("cells_series")

    @cached_property
    def phase_A(self) -> float:
        """Largest phase current, A rms, at the stroke's crest, from an empty bank on."""
        return max(float(case.result["peak_phase_A"][0]) for case in self.cases)

    @cached_property
    def bus_A(self) -> float:
        """Largest mean current into the bank, A."""
        return max(float(case.result["peak_bus_A"][0]) for case in self.cases)

    @cached_property
    def input_A(self) -> float:
        """Largest current into the converter, A: at the switch-off threshold."""
        loads = (case.need.load(case.need["off_V"]) for case in self.cases)
        return max(float(load.current_A[0, 0]) for load in loads)

    @cached_property
    def pack_A(self) -> float:
        """Largest current into the pack, A."""
        return max(float(case.need["draw_A"][0, 0]) for case in self.cases)

    @cached_property
    def levels_V(self) -> tuple[float, float, float]:
        """Thresholds of the design, V: load off, load on, load cut."""
        off = self.setting("undervoltage_off_V")
        on = off + self.setting("undervoltage_band_V")
        return off, on, self.setting("overvoltage_off_V")

    @cached_property
    def string(self) -> String:
        """The resistors that set the thresholds."""
        least = self.levels_V[-1] / self.project.study.build.divider_current_A
        window, wish = self.part("window"), self.project.study.build
        try:
            return best_string(
                self.levels_V,
                window.reference_V,
                name=wish.resistor_series,
                total_ohm=(least, DIVIDER_RANGE * least),
            )
        except ValueError as error:
            raise InputError([Fault(str(self.project.path), "build", str(error))]) from None

    @cached_property
    def band_V(self) -> tuple[Any, Any]:
        """Lowest and highest each threshold can be, (3,) each."""
        return worst_band(
            self.string.resistors_ohm,
            self.part("window").reference_V,
            resistor_tolerance=self.project.study.build.resistor_tolerance,
            reference_tolerance=self.part("window").reference_tolerance,
        )

    @cached_property
    def sense_ohm(self) -> float | None:
        """The usual shunt that sets the current limit; None where the switch does."""
        window = self.part("window")
        if window.sense_V == 0:
            return None
        return shunt_ohm(window.sense_V / window.current_limit_A)

    @cached_property
    def bank_F(self) -> float:
        """Capacitance of the bank by the cell's row, F."""
        cells = self.setting("cells_parallel") / self.setting("cells_series")
        return float(self.part("cell").capacitance_F * cells)

    @cached_property
    def bleed(self) -> Bleed:
        """The resistor that drains the bank."""
        return bleed(self.bank_limit_V, self.bank_F)

    @cached_property
    def limit_A(self) -> float:
        """Where the current is limited, A, by the real resistor where there is one."""
        window = self.part("window")
        return float(window.sense_V / self.sense_ohm if self.sense_ohm else window.current_limit_A)

    @cached_property
    def as_built(self) -> Evaluation:
        """The design with the thresholds and the current limit that the real resistors give.

        The rules take comparators and resistors at their worst, see `margins.worst_levels`.
        """
        row = int(self.designs.parts["window"][0])
        windows = list(self.project.catalogue.parts["window"])
        windows[row] = windows[row].model_copy(update={"current_limit_A": self.limit_A})
        parts = {**self.project.catalogue.parts, "window": tuple(windows)}
        real = replace(self.project, catalogue=replace(self.project.catalogue, parts=parts))
        off, on, over = self.string.thresholds_V[:, None]
        settings = {
            **self.designs.settings,
            "undervoltage_off_V": off,
            "undervoltage_band_V": on - off,
            "overvoltage_off_V": over,
        }
        return sessions_of(real, Designs(self.designs.parts, settings))


def facts(project: Project, lock: LockedDesign, *, draws: int = DRAWS) -> Facts:
    """Compute what a sheet needs, by today's tables; InputError where a part is gone."""
    designs, missing = designs_of_lock(project, lock)
    if designs is None:
        where = f"locked design {lock.design_id}"
        raise InputError([Fault(str(project.path), where, reason.words) for reason in missing])
    solved = solve(project, designs, Care.SESSION)
    return Facts(
        project=project,
        designs=designs,
        evaluation=combine_cases(project, designs, solved),
        cases=tuple(solved.values()),
        spread=tolerance(project, designs, draws=draws),
    )


def nearest_value(ohm: float, name: str) -> float:
    """The preferred value nearest to a resistance, in ratio."""
    return nearest_of(ohm, series(name).tolist())
