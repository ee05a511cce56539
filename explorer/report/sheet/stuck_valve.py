"""What a rectifier valve that fails closed does: a crank that jerks, turns by itself, or hard."""

from __future__ import annotations

from explorer.physics.fuse import FUSE_OPENS
from explorer.physics.motoring import driven
from explorer.report.format import number
from explorer.report.sheet.facts import Facts
from explorer.units import RAD_S_PER_RPM


def stuck_valve(known: Facts, fuse_A: float | None) -> str:
    """What to expect of this chain, and whether its fuse of `fuse_A` (None where there is none)
    ends it.
    """
    generator, rectifier = known.part("generator"), known.part("rectifier")
    machine = generator.machine
    if not machine.direct and rectifier.saturation_A > 0:
        return (
            "A rectifier diode that fails closed shorts the winding for a part of each turn: the "
            "crank turns hard and unevenly, and nothing else drives it. Stop, and test each diode."
        )
    ohm = machine.phases_between_leads * (
        generator.resistance_phase_ohm
        + machine.conductors_per_phase * known.part("lead").resistance_ohm
    )
    emf_V_s = generator.emf_phase_V_s * machine.emf_leads_per_phase * generator.leads_shape.peak
    volts = known.bank_limit_V
    found = driven(volts, emf_V_s, ohm)
    ratio, radius_m = float(known.part("gearing").ratio), float(known.part("crank").radius_m)
    force_N = float(found.torque_N_m) * ratio / radius_m
    amps = float(found.current_A)
    if machine.direct:
        rpm = float(found.speed_rad_s) / ratio / RAD_S_PER_RPM
        does = (
            f"A blocking diode that fails closed lets a full bank of {number(volts)} V turn the "
            f"crank like a motor: up to {number(force_N)} N at the handle, and up to "
            f"{number(rpm)} rpm when nobody holds it"
        )
    else:
        does = (
            f"Active valves that stay closed in two legs put the full bank of {number(volts)} V "
            f"across the winding: the crank jerks with up to {number(force_N)} N at the handle"
        )
    return f"{does} ({number(amps)} A). {_ends(amps, fuse_A)}"


def _ends(amps: float, fuse_A: float | None) -> str:
    if fuse_A and amps >= FUSE_OPENS * fuse_A:
        return "The fuse then opens. Keep hands and sleeves away from a crank that moves by itself."
    return (
        "The winding lets too little through to open the fuse: the bank drives it until it is "
        "empty. Fit a switch that disconnects the bank, and keep hands and sleeves away from a "
        "crank that moves by itself."
    )
