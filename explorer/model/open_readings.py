"""What meters show of a generator that feeds nothing: the build sheet's first readings."""

from __future__ import annotations

from math import log1p

from explorer.inputs.front_parts import Generator, Rectifier

METER_CURRENT_A = 1e-3
"""Current at which a diode's drop is taken where next to nothing flows."""
USB_LIMITS_V = (4.75, 5.25)
"""VBUS at a source's terminals (USB 2.0 specification, 7.2.2)."""


def winding_ohm(generator: Generator) -> float:
    """Resistance between two wires of the generator at 20 C, ohm."""
    return float(generator.machine.phases_between_leads * generator.resistance_phase_ohm)


def open_winding_V(generator: Generator, shaft_rad_s: float) -> float:
    """What a true-rms meter shows between two open wires at a speed, V; DC for brushed."""
    peak_V = float(generator.emf_phase_V_s) * shaft_rad_s
    return peak_V * float(generator.reading_per_peak)


def open_rectified_V(generator: Generator, valve: Rectifier, shaft_rad_s: float) -> float:
    """Voltage of a small capacitor behind the bridge at a speed, nothing else connected, V."""
    drop_V = 0.0
    if valve.saturation_A > 0:
        drop_V = float(valve.emission_V) * log1p(METER_CURRENT_A / valve.saturation_A)
    machine = generator.machine
    peak_V = generator.knee * generator.emf_phase_V_s * shaft_rad_s
    return float(max(peak_V - machine.drops * drop_V, 0.0))
