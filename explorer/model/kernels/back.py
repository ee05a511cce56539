"""What leaves the bus at a voltage, one number at a time: drains, window, converter, pack."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from explorer.model.kernels.compiled import inlined, law
from explorer.model.kernels.records import Fields
from explorer.physics.valve import LEAKAGE_KNEE_V, SUPPLY_RAMP_V

OPEN, IDLE, LOADED, LATCHED = range(4)
"""Switch open; closed with a pack that waits; closed with a pack that draws; open until the bus
has fallen from the overvoltage threshold to its return."""
LEAST_V = 0.05
"""Below this a load takes what it takes here; no window closes there."""


LANDING = 1e-6
"""How closely the bus comes to where the converter gives up, as a share of the voltage."""


class Taken(NamedTuple):
    """Currents A and powers W that leave the bus. `amps` is all of them, `amps_v` its slope.

    `load_A` is the converter's share; `sustained` says whether the converter holds its output.
    """

    amps: float
    amps_v: float
    reverse_A: float
    supply_A: float
    cell_A: float
    balancing_A: float
    clamp_A: float
    load_A: float
    window_W: float
    converter_W: float
    pack_lead_W: float
    delivered_W: float
    sustained: bool


class _Load(NamedTuple):
    amps: float
    slope_S: float
    window_W: float
    converter_W: float
    pack_lead_W: float
    delivered_W: float
    sustained: bool


@law
def _held_back(row: Fields, bus_V: float) -> _Load:
    """A regulating pack at the input current limit: it takes what still holds its threshold."""
    ohm = row.on_resistance_ohm
    limit, slope = row.input_limit_A, 0.0
    if 2 * ohm * limit > bus_V:  # beyond half the bus voltage nothing more comes through
        limit, slope = bus_V / (2 * ohm), 1 / (2 * ohm)
    behind = bus_V - ohm * limit
    own = (
        row.loss_W + row.loss_per_input_V * behind
        + (row.loss_per_input_A + row.loss_per_input_A2 * limit) * limit
    )  # fmt: skip
    left = max(behind * limit - own, 0.0)
    square = row.pack_lead_ohm + row.loss_per_output_A2
    linear = row.hold_V + row.loss_per_output_A
    amps = 2 * left / (linear + sqrt(linear * linear + 4 * square * left))
    lead, given, window = row.pack_lead_ohm * amps * amps, row.hold_V * amps, ohm * limit * limit
    return _Load(limit, slope, window, bus_V * limit - window - lead - given, lead, given, True)


@law
def _load(row: Fields, bus_V: float, idle: bool) -> _Load:
    """Window and converter: the smaller root of `(V - R I) I = output + loss`, see `intake`."""
    amps, given, lead = row.draw_A, row.delivered_W, row.pack_lead_W
    if idle:
        amps, given, lead = 0.0, 0.0, 0.0
    volts, ohm = max(bus_V, LEAST_V), row.on_resistance_ohm
    fixed = row.loss_W + (row.loss_per_output_A + row.loss_per_output_A2 * amps) * amps
    square = row.loss_per_input_A2 + ohm
    linear = row.loss_per_input_A - row.loss_per_input_V * ohm - volts
    constant = given + lead + fixed + row.loss_per_input_V * volts
    under = linear * linear - 4 * square * constant
    sustained = under >= 0 and linear < 0
    regulates = row.holds_input == 1 and not idle
    if sustained:
        root = sqrt(under)
        current = 2 * constant / (root - linear)
        if regulates and current > row.input_limit_A:
            return _held_back(row, volts)
        window = ohm * current * current
        heat = (
            fixed + row.loss_per_input_V * (volts - ohm * current)
            + (row.loss_per_input_A + row.loss_per_input_A2 * current) * current
        )  # fmt: skip
        slope = -(current - row.loss_per_input_V) / max(root, 1e-9)
        return _Load(current, slope, window, heat, lead, given, True)
    if regulates:
        return _held_back(row, volts)
    # A converter that cannot hold its output gives the pack nothing and burns what it takes.
    current = max(-linear, 0.0) / max(2 * square, 1e-9)
    window = ohm * current * current
    return _Load(current, 0.0, window, volts * current - window, 0.0, 0.0, False)


@inlined
def taken(row: Fields, state: int, bus_V: float, leakage: float) -> Taken:
    """Everything that leaves the bus; `leakage` is the valves' over that of their table."""
    knee = bus_V + LEAKAGE_KNEE_V
    part, part_v = bus_V / knee, LEAKAGE_KNEE_V / (knee * knee)
    reverse = row.reverse_leakage_A * leakage
    ramp = (bus_V - row.bridge_start_V) / SUPPLY_RAMP_V
    supply_A, supply_v = row.bridge_supply_A * min(max(ramp, 0.0), 1.0), 0.0
    if 0 < ramp < 1:
        supply_v = row.bridge_supply_A / SUPPLY_RAMP_V
    over = bus_V - row.clamp_V
    clamp_A, clamp_v = 0.0, 0.0
    if over > 0 and row.clamp_S > 0:
        clamp_A, clamp_v = over * row.clamp_S, row.clamp_S
    own_A = row.window_supply_A * part
    amps = reverse * part + supply_A + (row.leakage_S + row.balancing_S) * bus_V + clamp_A + own_A
    slope = (reverse + row.window_supply_A) * part_v + supply_v + clamp_v
    slope += row.leakage_S + row.balancing_S
    load = _Load(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, True)
    if state in (LOADED, IDLE):
        load = _load(row, bus_V, state == IDLE)
    return Taken(
        amps + load.amps, slope + load.slope_S, reverse * part, supply_A, row.leakage_S * bus_V,
        row.balancing_S * bus_V, clamp_A, load.amps, own_A * bus_V + load.window_W,
        load.converter_W, load.pack_lead_W, load.delivered_W, load.sustained,
    )  # fmt: skip


@law
def opens_V(row: Fields, state: int) -> float:
    """Where a falling bus opens the window: at its threshold, or a hair above where a converter
    that draws cannot hold its output any further and drags the bus down."""
    if state == LOADED:
        return max(row.off_V, row.least_V * (1 + LANDING))
    return row.off_V
