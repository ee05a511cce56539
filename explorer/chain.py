"""The two halves of the chain joined at the bus: net current, and where every watt goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from explorer.demand import Demand
from explorer.space import Rows
from explorer.supply import LOSSES, TERMS, Supply
from explorer.units import Array

State = Literal["open", "idle", "loaded"]
"""Switch open; closed with a pack that waits; closed with a pack that draws."""

HEAT = (
    "gearing", "drag", "copper", "lead", "bridge", "reverse_leakage", "bridge_supply",
    "cell_leakage", "balancing", "clamp", "window", "converter", "pack_lead",
)  # fmt: skip
LEDGER = (*HEAT, "esr", "delivered", "stored")
"""Where the work at the crank goes; `crank_work` is the sum of these."""


@dataclass(frozen=True)
class Chain:
    """`n` designs: curves of their front halves, and their back halves. Voltages are (n, k)."""

    supply: Supply
    half: Rows
    demand: Demand

    def __len__(self) -> int:
        return len(self.half)

    def take(self, rows: Rows | NDArray[np.bool_]) -> Chain:
        """The chains at some rows."""
        return Chain(self.supply, self.half[rows], self.demand.take(rows))

    def net_current(self, bus_V: Array, state: State) -> Array:
        """Current into the bank at a bus voltage, A, (n, k)."""
        net = self.supply.read(self.half, bus_V) - self.demand.drain(bus_V).total_A
        if state == "open":
            return net
        return np.asarray(net - self.demand.load(bus_V, idle=state == "idle").current_A)

    def inner_V(self, bus_V: Array, state: State) -> Array:
        """Voltage behind the bank's series resistance, V, (n, k)."""
        return np.asarray(bus_V - self.demand["esr_ohm"] * self.net_current(bus_V, state))

    def powers(self, bus_V: Array, state: State) -> tuple[tuple[Array, ...], Array, Array, Array]:
        """Heats in the order of `HEAT`, delivered W, net current A, effort, (n, k) each.

        Crank power is the sum of the heats, the delivered power and bus voltage times net current.
        """
        front = self.supply.read(self.half, bus_V, slice(0, TERMS.index("effort") + 1))
        drain = self.demand.drain(bus_V)
        zero = np.zeros_like(bus_V)
        window, converter, lead, delivered, load_A = drain.window_A * bus_V, zero, zero, zero, zero
        if state != "open":
            load = self.demand.load(bus_V, idle=state == "idle")
            window = window + load.window_W
            converter, lead, delivered = load.converter_W, load.pack_lead_W, load.delivered_W
            load_A = load.current_A
        bus_drains = [
            drain.reverse_leakage_A, drain.bridge_supply_A, drain.cell_leakage_A,
            drain.balancing_A, drain.clamp_A,
        ]  # fmt: skip
        heats = (
            *np.moveaxis(front[..., LOSSES], -1, 0),
            *(amps * bus_V for amps in bus_drains),
            window,
            converter,
            lead,
        )
        return heats, delivered, front[..., 0] - drain.total_A - load_A, front[..., -1]
