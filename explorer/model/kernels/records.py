"""Records of numbers that the kernels take and give, one dtype a kind; SI, units in the names.

A field that is 0 where 0 makes no sense says that the thing is not there: no heat capacity, no
clamp, no body diode. `accounts.FLOWS` are the fields of a ledger.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Records = NDArray[Any]
"""A structured array of one of the dtypes below."""
Single = NDArray[np.float32]
"""Tables, in half the memory."""
Fields = Any
"""One row of such an array; its fields are attributes, and can be set."""

MACHINE = np.dtype(
    [
        ("bridge", "i8"),  # its circuit, one of those in `physics.bridge`
        ("phases", "f8"),  # windings that carry the current
        ("valves", "f8"),  # of the whole rectifier
        ("valves_in_path", "f8"),  # that one phase's current passes at a time
        ("drops", "f8"),  # that the bus current passes at a time
        ("knee", "f8"),  # no-load bus voltage over `emf_V_s` times speed, before drops
        ("emf_V_s", "f8"),  # peak of one phase, of its fundamental
        ("emf_h3", "f8"),  # signed harmonics over the fundamental
        ("emf_h5", "f8"),
        ("emf_h7", "f8"),
        ("circuit_ohm", "f8"),  # of one phase at 20 C, as the current sees it
        ("copper_ohm", "f8"),  # of one phase at 20 C, as the heat sees it
        ("lead_ohm", "f8"),  # of one phase
        ("inductance_H", "f8"),
        ("pole_pairs", "f8"),
        ("drag_N_m", "f8"),  # at the shaft, with the lead's
        ("viscous_N_m_s", "f8"),
        ("inertia_kg_m2", "f8"),  # of the rotor
        ("heat_capacity_J_per_K", "f8"),  # 0: the winding keeps its temperature, and so do valves
        ("saturation_A", "f8"),
        ("emission_V", "f8"),
        ("valve_ohm", "f8"),
        ("body_saturation_A", "f8"),  # of an active valve asleep, 0: no body diode
        ("start_V", "f8"),  # where an active valve wakes
        ("gap_V", "f8"),  # band gap of the valve's barrier
        ("thermal_K_per_W", "f8"),  # of one valve
        ("slowest_rad_s", "f8"),  # from here on what `machine.tabulate` says of its table
        ("nodes_per_log", "f8"),
        ("body_nodes", "i8"),
        ("foot_nodes", "i8"),
        ("open_V_s", "f8"),
        ("foot_V_s", "f8"),
        ("foot_drop_V", "f8"),  # awake
        ("body_foot_drop_V", "f8"),  # asleep
        ("cold_C", "f8"),  # of the winding in the table, and at first
        ("cold_ohm", "f8"),  # winding, lead and valves, as the current sees them
        ("hot_ohm", "f8"),
        ("awake_table", "i8"),
        ("asleep_table", "i8"),
    ]
)
"""Generator, lead and rectifier; and where the nodes of its table lie."""

DRIVE = np.dtype(
    [
        ("radius_m", "f8"),
        ("ratio", "f8"),  # generator over crank speed
        ("efficiency", "f8"),
        ("drag_N_m", "f8"),  # at the crank
        ("inertia_kg_m2", "f8"),  # of crank and grip
        ("cadence_rad_s", "f8"),
    ]
)
"""Crank and gearing, and the cadence that is asked for."""

PERSON = np.dtype(
    [
        ("critical_power_W", "f8"),
        ("reserve_J", "f8"),
        ("comfort_force_N", "f8"),
        ("force_limit_N", "f8"),
        ("power_share", "f8"),
        ("sprint_torque_N_m", "f8"),
        ("sprint_speed_rad_s", "f8"),
        ("unevenness", "f8"),  # twice a turn; at held speed the swing of the current
        ("unevenness_turn", "f8"),  # once a turn, not at held speed
        ("kappa_m_s", "f8"),
        ("p_W_s2_m2", "f8"),
        ("inertia_kg_m2", "f8"),  # of the arm at 0.17 m; 0: held speed
        ("seconds", "f8"),  # of the shift
        ("pace_s", "f8"),  # how long the person means to last, all own shifts together
        ("follows", "i8"),  # number of the person's own shift before, from 1 on; 0: there is none
    ]
)
"""One shift: who, and for how long."""

LOAD = np.dtype(
    [
        ("capacitance_F", "f8"),
        ("esr_ohm", "f8"),
        ("leakage_S", "f8"),
        ("balancing_S", "f8"),
        ("reverse_leakage_A", "f8"),  # of all blocking valves
        ("bridge_supply_A", "f8"),  # of all active valves
        ("bridge_start_V", "f8"),
        ("clamp_V", "f8"),
        ("clamp_S", "f8"),  # 0: none
        ("off_V", "f8"),
        ("on_V", "f8"),
        ("over_V", "f8"),
        ("return_V", "f8"),
        ("on_resistance_ohm", "f8"),
        ("window_supply_A", "f8"),
        ("input_limit_A", "f8"),
        ("loss_W", "f8"),
        ("loss_per_input_V", "f8"),
        ("loss_per_input_A", "f8"),
        ("loss_per_input_A2", "f8"),
        ("loss_per_output_A", "f8"),
        ("loss_per_output_A2", "f8"),
        ("pack_lead_ohm", "f8"),
        ("holds_input", "i8"),  # 1: the pack takes less where its input would sag, to `hold_V`
        ("draw_A", "f8"),
        ("delivered_W", "f8"),
        ("pack_lead_W", "f8"),
        ("hold_V", "f8"),
        ("retry_s", "f8"),  # that the pack waits before it draws, 0: it does not wait
        ("least_V", "f8"),  # lowest that sustains the converter's output, 0: the pack takes less
    ]
)
"""Everything right of the bus, with the bank, one pack and the window's thresholds."""

SETUP = np.dtype(
    [
        ("bank_ohm", "f8"),
        ("comfort_W", "f8"),  # equivalent power that is comfortable for as long as is meant
        ("tired_W", "f8"),  # and at critical power, left when the reserve is gone
        ("torque_N_m", "f8"),  # of comfort
        ("radius_m", "f8"),
        ("kappa_m_s", "f8"),
        ("p_W_s2_m2", "f8"),
        ("unevenness", "f8"),  # of a held speed's current, as its heats see it
        ("swing", "f8"),  # and as the bus does
        ("step_V", "f8"),
        ("step_share", "f8"),
        ("inertia", "f8"),  # of arm, crank and rotor at the crank
        ("crest", "f8"),  # of the hand's pattern
        ("held", "i8"),
        ("ambient_C", "f8"),
        ("winding_C", "f8"),
        ("valve_C", "f8"),
        ("warmth", "f8"),  # of the winding, from the table's cold (0) to its hot one (1)
        ("lost_V", "f8"),  # what warm valves drop less
        ("leakage", "f8"),  # of warm valves over that of the table
        ("foot_V", "f8"),  # of the curve of held speed
        ("top_V", "f8"),
        ("start_V", "f8"),
        ("closed", "i8"),
        ("frozen", "i8"),
        ("jumps", "i8"),
        ("even", "i8"),
    ]
)
"""What a shift works with: the hand's limits, temperatures of the moment, the curve's ends."""


def rows(dtype: np.dtype[Any], count: int, **columns: Any) -> Records:
    """Records of one kind from columns, numbers or arrays (count,); those not given are 0.

    Raises ValueError for a column that the kind does not have, or a value that is not finite.
    """
    made: Records = np.zeros(count, dtype)
    for name, values in columns.items():
        if name not in (dtype.names or ()):
            raise ValueError(f"no column {name} in these rows, which have {dtype.names}")
        if not np.all(np.isfinite(np.asarray(values, dtype=float))):
            raise ValueError(f"{name} must be finite, got {values}")
        made[name] = values
    return made
