"""The front half of one chain: what it asks of the hand at a crank speed and a bus voltage."""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.kernels.compiled import inlined, law, scalar
from explorer.model.kernels.machine import HOT_RISE_K, read
from explorer.model.kernels.records import Fields, Single
from explorer.physics import gearing, generator, valve

copper_resistance = scalar(generator.copper_resistance)
drag_torque = scalar(generator.drag_torque)
crank_torque = scalar(gearing.crank_torque)
gear_loss = scalar(gearing.loss)
forward_drop = scalar(valve.forward_drop)
drop_lost = scalar(valve.drop_lost)
leakage_factor = scalar(valve.leakage_factor)


class Front(NamedTuple):
    """A front half at a crank speed and bus voltage: A, N m at the crank, slopes, and W.

    `current_w` and `torque_v` are slopes by crank speed and bus voltage.
    """

    current_A: float
    current_w: float
    current_v: float
    torque_N_m: float
    torque_w: float
    torque_v: float
    phase_A: float
    gearing_W: float
    drag_W: float
    copper_W: float
    lead_W: float
    bridge_W: float
    pulses_W: float


class Chain(NamedTuple):
    """What a front half is made of: tables, rows, and the setup of the moment."""

    values: Single
    row: Fields
    drive: Fields
    setup: Fields


@law
def set_heat(chain: Chain, amps: float) -> None:
    """Fill in what temperatures do, at a mean bus current of `amps`."""
    row, setup, lost_V = chain.row, chain.setup, 0.0
    setup.warmth, setup.leakage = 0.0, 1.0
    if row.heat_capacity_J_per_K > 0:
        setup.warmth = (setup.winding_C - row.cold_C) / HOT_RISE_K
        setup.leakage = leakage_factor(setup.valve_C)
        if row.saturation_A > 0 and amps > 0:
            drop = forward_drop(amps, row.saturation_A, row.emission_V)
            lost_V = row.drops * drop_lost(drop, row.gap_V, setup.valve_C)
    setup.lost_V = lost_V


@law
def at_rest(chain: Chain) -> float:
    """Torque that breaks the chain away, N m."""
    drive = chain.drive
    return crank_torque(chain.row.drag_N_m, drive.ratio, drive.efficiency, drive.drag_N_m)


@inlined
def front(chain: Chain, asleep: bool, crank_rad_s: float, bus_V: float) -> Front:
    """The balance of a front half turned at a speed above 0 against a mean bus voltage."""
    row, drive = chain.row, chain.drive
    shaft, ratio = crank_rad_s * drive.ratio, drive.ratio
    setup = chain.setup
    lost = 0.0 if asleep else setup.lost_V
    at = read(chain.values, row, asleep, shaft, bus_V - lost, setup.warmth, setup.bank_ohm)
    series = row.phases * at.phase_A
    squares, squares_2 = series * at.phase_A, 2 * series
    copper_ohm = copper_resistance(row.copper_ohm, setup.winding_C)
    valve_ohm = row.valves_in_path * row.valve_ohm
    ohm = copper_ohm + row.lead_ohm + valve_ohm
    junction_V = max(at.drop_V - lost, 0.0)
    rippled = setup.bank_ohm * at.ripple * at.bus_A
    drag_N_m = drag_torque(row.drag_N_m, row.viscous_N_m_s, shaft)
    volts = bus_V + junction_V
    electric_W = (volts + rippled) * at.bus_A + squares * ohm
    electric_w = (volts + 2 * rippled) * at.bus_w + at.bus_A * at.drop_w
    electric_w += squares_2 * ohm * at.phase_w
    electric_w += setup.bank_ohm * at.ripple_w * at.bus_A * at.bus_A
    electric_v = (volts + 2 * rippled) * at.bus_v + at.bus_A * (1 + at.drop_v)
    electric_v += squares_2 * ohm * at.phase_v
    electric_v += setup.bank_ohm * at.ripple_v * at.bus_A * at.bus_A
    shaft_N_m = electric_W / shaft + drag_N_m
    gear = ratio / drive.efficiency
    shaft_W = shaft_N_m * shaft
    return Front(
        at.bus_A, at.bus_w * ratio, at.bus_v,
        crank_torque(shaft_N_m, ratio, drive.efficiency, drive.drag_N_m),
        gear * ratio * ((electric_w - electric_W / shaft) / shaft + row.viscous_N_m_s),
        gear * electric_v / shaft,
        at.phase_A,
        gear_loss(shaft_W, crank_rad_s, drive.efficiency, drive.drag_N_m),
        drag_N_m * shaft, squares * copper_ohm, squares * row.lead_ohm,
        junction_V * at.bus_A + squares * valve_ohm, rippled * at.bus_A,
    )  # fmt: skip
