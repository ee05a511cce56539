"""Generator: copper, wire and EMF constants against standards and hand conversion."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from explorer.inputs import machine_kinds
from explorer.inputs.front_parts import Generator
from explorer.physics import generator
from explorer.units import RAD_S_PER_RPM

ROW = {
    "id": "machine",
    "name": "a machine",
    "source": "made up for this test",
    "dated": date(2026, 11, 25),
    "mass_kg": 1.0,
    "kind": "three_phase",
    "pole_pairs": 15,
    "drag_torque_N_m": 0.1,
    "drag_viscous_N_m_s": 0.001,
    "current_limit_A": 10.0,
    "speed_limit_rpm": 900.0,
    "heat_capacity_J_per_K": 400.0,
}


@pytest.mark.parametrize(
    ("gauge", "milliohm"),
    [(16, 13.17), (18, 20.95), (20, 33.31), (22, 52.96), (24, 84.21), (26, 133.9)],
)
def test_wire_of_astm_b258(gauge: int, milliohm: float) -> None:
    """Resistance of a metre at 20 C: ASTM B258 diameters, IEC 60028 resistivity.

    The table gives four digits: 0.05 % is half a unit of the last one at its worst.
    """
    assert float(generator.wire_resistance(gauge, 1.0)) * 1000 == pytest.approx(milliohm, rel=5e-4)


def test_gauge_36_is_a_tenth_of_a_millimetre_and_more() -> None:
    """ASTM B258 defines AWG 36 as 0.127 mm and 0000 (-3) as 11.684 mm: 92 times the diameter."""
    ratio = generator.wire_resistance(36, 1.0) / generator.wire_resistance(-3, 1.0)
    assert float(ratio) == pytest.approx(92**2, rel=1e-12)
    area = np.pi * (0.127e-3) ** 2 / 4
    assert float(generator.wire_resistance(36, 2.0)) == pytest.approx(2 * 0.017241e-6 / area)


def test_copper_of_iec_60028() -> None:
    """0.00393 per kelvin at 20 C: 80 K warmer is 31.44 % more."""
    warm = generator.copper_resistance(np.array([0.2, 0.2, 0.2]), np.array([20.0, 100.0, -5.0]))
    np.testing.assert_allclose(warm, 0.2 * np.array([1, 1.3144, 1 - 0.00393 * 25]), rtol=1e-12)


def test_line_values_become_phase_values() -> None:
    """A star measured between two terminals shows sqrt 3 of the EMF, two windings in series."""
    line = {"emf_line_V_s": 0.6, "resistance_line_ohm": 0.44, "inductance_line_H": 8.4e-4}
    machine = Generator.model_validate({**ROW, **line})
    assert machine.emf_phase_V_s == pytest.approx(0.6 / np.sqrt(3))
    assert machine.resistance_phase_ohm == pytest.approx(0.22)
    assert machine.inductance_phase_H == pytest.approx(4.2e-4)


def test_line_emf_is_the_difference_of_two_sines() -> None:
    """Textbook: the difference of two equal sines 120 degrees apart has sqrt 3 their amplitude."""
    angle = np.linspace(0, 2 * np.pi, 3601)
    difference = np.sin(angle) - np.sin(angle - 2 * np.pi / 3)
    # The nearest of 3600 points is within 0.05 degrees: cos(.00087) is 4e-7 off.
    star = machine_kinds.MACHINE_KINDS["three_phase"]
    assert difference.max() * star.line_columns["emf_{}_V_s"] == pytest.approx(1, abs=1e-6)
    assert difference.max() == pytest.approx(star.emf_leads_per_phase, abs=1e-6)


def test_emf_constant_of_a_kv_value() -> None:
    """Ke_LL peak = 60/(2 pi Kv) (reference table, class values from memory): 150 rpm per volt.

    At 150 rpm such a machine has one volt, line to line.
    """
    line = 60 / (2 * np.pi * 150)
    machine = Generator.model_validate(
        {**ROW, "emf_line_V_s": line, "resistance_phase_ohm": 0.02, "inductance_phase_H": 1.5e-5}
    )
    emf = generator.peak_emf(machine.emf_phase_V_s, 150 * RAD_S_PER_RPM)
    assert float(emf) * np.sqrt(3) == pytest.approx(1.0, rel=1e-12)


def test_drag_of_a_small_hub() -> None:
    """Iron and bearing loss of a small hub is about 2-6 W at 200 rpm (class value, from memory)."""
    speed = 200 * RAD_S_PER_RPM
    loss = speed * generator.drag_torque(0.14, 0.0012, speed)
    assert 2 < float(loss) < 6
    assert float(generator.drag_torque(0.14, 0.0012, 0.0)) == 0.14
