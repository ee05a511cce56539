"""The back half of the chain: what is taken from the bus at a voltage, in closed form."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.catalogue import Catalogue
from explorer.inputs.records import Pack
from explorer.model.space import Designs, Rows
from explorer.physics import bank, converter, pack, window
from explorer.physics.valve import LEAKAGE_KNEE_V, SUPPLY_RAMP_V
from explorer.units import Array

LOSS_FIELDS = (
    "loss_W", "loss_per_input_V", "loss_per_input_A", "loss_per_input_A2", "loss_per_output_A",
    "loss_per_output_A2",
)  # fmt: skip


PartColumn = Callable[[str, str], Array]
"""A column of a link's table for the parts that designs chose, (n,)."""


class Drain(NamedTuple):
    """Currents that leave the bus whether or not the load is connected, A."""

    reverse_leakage_A: Array
    bridge_supply_A: Array
    cell_leakage_A: Array
    balancing_A: Array
    clamp_A: Array
    window_A: Array

    @property
    def total_A(self) -> Array:
        """All of them together."""
        return np.asarray(sum(self))


class Load(NamedTuple):
    """What the connected load takes: bus current A, and powers W that add up to it.

    `slope_S` is how the current changes with the bus voltage.
    """

    current_A: Array
    window_W: Array
    converter_W: Array
    pack_lead_W: Array
    delivered_W: Array
    sustained: NDArray[np.bool_]
    slope_S: Array


@dataclass(frozen=True)
class BackHalves:
    """Back halves of `n` designs and one pack; every value of `fields` is (n, 1).

    Voltages given to its methods are (n, k).
    """

    pack: Pack
    fields: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        return self.fields[name]

    def take(self, rows: Rows | NDArray[np.bool_]) -> BackHalves:
        """The back halves at some rows."""
        return BackHalves(self.pack, {name: value[rows] for name, value in self.fields.items()})

    def drain(self, bus_V: Array) -> Drain:
        """Currents that load the bus at all times."""
        f = self.fields
        return Drain(
            f["reverse_leakage_A"] * bus_V / (bus_V + LEAKAGE_KNEE_V),
            f["bridge_supply_A"] * np.clip((bus_V - f["bridge_start_V"]) / SUPPLY_RAMP_V, 0.0, 1.0),
            f["leakage_S"] * bus_V,
            f["balancing_S"] * bus_V,
            bank.clamp_current(bus_V, f["clamp_V"], f["clamp_ohm"]),
            f["window_supply_A"] * bus_V / (bus_V + LEAKAGE_KNEE_V),
        )

    def load(self, bus_V: Array, *, idle: bool = False) -> Load:
        """What converter and pack take at a bus voltage; `idle`: the pack takes nothing."""
        f = self.fields
        amps = 0.0 * f["draw_A"] if idle else f["draw_A"]
        delivered = 0.0 * f["delivered_W"] if idle else f["delivered_W"]
        lead = 0.0 * f["pack_lead_W"] if idle else f["pack_lead_W"]
        loss = {name: f[name] for name in LOSS_FIELDS}
        taken = converter.intake(
            bus_V, delivered + lead, amps, on_resistance_ohm=f["on_resistance_ohm"], **loss
        )
        current, heat = taken.current_A, taken.converter_loss_W
        window_W, sustained = taken.window_loss_W, taken.sustained
        slope = taken.slope_S
        # A converter that cannot hold its output gives the pack nothing and burns what it takes.
        delivered, lead = np.where(sustained, delivered, 0.0), np.where(sustained, lead, 0.0)
        heat = np.where(sustained, heat, bus_V * current - window_W)
        if self.pack.behaviour.holds_input and not idle:
            limited = (current > f["input_limit_A"]) | ~sustained
            if limited.any():
                held = self._held_back(bus_V)
                current, window_W, heat, lead, delivered = (
                    np.where(limited, a, b)
                    for a, b in zip(held, (current, window_W, heat, lead, delivered), strict=True)
                )
                sustained = np.ones_like(sustained)
                slope = np.where(limited, 0.0, slope)
        return Load(current, window_W, heat, lead, delivered, sustained, slope)

    def _held_back(self, bus_V: Array) -> tuple[Array, Array, Array, Array, Array]:
        """A regulating pack at the input current limit: it takes what still holds `hold_V`."""
        f, hold = self.fields, self.pack.hold_V
        ohm = f["on_resistance_ohm"]
        # Beyond half the bus voltage over the switch nothing more comes through it.
        limit = np.minimum(f["input_limit_A"], bus_V / np.maximum(2 * ohm, 1e-9))
        behind = bus_V - ohm * limit
        own = (
            f["loss_W"]
            + f["loss_per_input_V"] * behind
            + (f["loss_per_input_A"] + f["loss_per_input_A2"] * limit) * limit
        )
        left = np.maximum(behind * limit - own, 0.0)
        square = f["pack_lead_ohm"] + f["loss_per_output_A2"]
        linear = hold + f["loss_per_output_A"]
        amps = 2 * left / (linear + np.sqrt(linear**2 + 4 * square * left))
        lead, delivered = f["pack_lead_ohm"] * amps**2, hold * amps
        window_W = ohm * limit**2
        return limit, window_W, bus_V * limit - window_W - lead - delivered, lead, delivered


def back_halves(catalogue: Catalogue, designs: Designs, pack_: Pack) -> BackHalves:
    """The back halves of some designs with one pack."""

    def at(link: str, field: str) -> Array:
        return designs.chosen(catalogue, link, field)

    taken = pack.charging(
        at("converter", "output_V"),
        at("pack_lead", "resistance_ohm"),
        current_A=pack_.current_A,
        hold_V=pack_.hold_V,
        regulating=pack_.behaviour.holds_input,
    )
    losses = {name: at("converter", name) for name in LOSS_FIELDS}
    least_V = converter.least_bus(
        taken.delivered_W + taken.lead_W, taken.current_A,
        on_resistance_ohm=at("window", "on_resistance_ohm"), **losses,
    )  # fmt: skip
    spread = at("window", "current_limit_tolerance")
    fields = {
        **_bank_and_clamp(at, designs.settings),
        **_window(at, designs.settings),
        "draw_A": taken.current_A,
        "delivered_W": taken.delivered_W,
        "pack_lead_W": taken.lead_W,
        "pack_lead_ohm": at("pack_lead", "resistance_ohm"),
        "input_limit_A": np.minimum(
            at("window", "current_limit_A") * (1 - spread), at("converter", "input_current_limit_A")
        ),
        "reverse_leakage_A": at("rectifier", "leakage_A") * at("generator", "blocking_valves"),
        "bridge_supply_A": at("rectifier", "supply_A") * at("generator", "valves"),
        "bridge_start_V": at("rectifier", "start_V"),
        **losses,
        # A pack that holds its input takes less before the bus gives way.
        "least_V": np.zeros_like(least_V) if pack_.behaviour.holds_input else least_V,
    }
    return BackHalves(pack_, {name: np.asarray(value)[:, None] for name, value in fields.items()})


def _bank_and_clamp(at: PartColumn, setting: Mapping[str, Array]) -> dict[str, Array]:
    """The bank as one capacitor, its weakest cell, and the clamps over cells or over the bus."""
    series = setting["cells_series"]
    cells = bank.combine(
        series,
        setting["cells_parallel"],
        **{
            name: at("cell", name)
            for name in (
                "capacitance_F", "esr_ohm", "voltage_V", "derating", "leakage_A", "balancing_ohm",
            )
        },
    )  # fmt: skip
    by_cell = at("clamp", "by_cell")
    groups = np.where(by_cell > 0, series, 1.0)
    return {
        **cells._asdict(),
        "clamp_V": at("clamp", "threshold_V") * groups,
        "clamp_ohm": at("clamp", "resistance_ohm") * groups,
        "clamp_by_cell": by_cell,
        "clamp_limit_W": at("clamp", "power_limit_W") * groups,
        "clamp_limit_J": at("clamp", "burst_limit_J") * groups,
        "clamp_touchable_m2": at("clamp", "touchable_m2") * groups,
        "voltage_rating_V": series * at("cell", "voltage_V"),
        "weakest_share": bank.weakest_share(series, at("cell", "piece_spread")),
    }


def _window(at: PartColumn, setting: Mapping[str, Array]) -> dict[str, Array]:
    """The window's thresholds, switch and supply."""
    levels = window.thresholds(
        setting["undervoltage_off_V"],
        setting["undervoltage_band_V"],
        setting["overvoltage_off_V"],
        at("window", "overvoltage_return"),
    )
    return {
        **levels._asdict(),
        "on_resistance_ohm": at("window", "on_resistance_ohm"),
        "window_supply_A": at("window", "supply_A"),
    }
