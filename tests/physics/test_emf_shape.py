"""Shapes of EMFs against identities of Fourier series, and what rows may say of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.commands.check import check_study
from explorer.errors import InputError
from explorer.inputs.front_parts import Generator
from explorer.inputs.study import Project, load
from explorer.model.open_readings import open_rectified_V, open_winding_V
from explorer.physics.emf_shape import SINE, Shape
from tests.helpers.chains import with_part

SHAPES = st.builds(Shape, st.floats(-0.35, 0.35), st.floats(-0.21, 0.21), st.floats(-0.15, 0.15))
FULL_TURN = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
FLAT_120 = Shape(2 / 9, 1 / 25, -1 / 49)
"""A trapezoid that is flat for 120 degrees: `b_n ~ sin(n 30 deg)/n^2` (Fourier series of a
trapezoid, any table of them), up to the seventh."""
FUNDAMENTAL_OF_FLAT_120 = 12 / np.pi**2
"""Over its flat top: `(4/(pi a)) sin a` of a = 30 degrees."""


def generator(project: Project, name: str) -> Generator:
    (row,) = (one for one in project.catalogue.parts["generator"] if one.id == name)
    assert isinstance(row, Generator)
    return row


@given(SHAPES)
def test_rms_is_that_of_all_harmonics(shape: Shape) -> None:
    """Parseval's theorem, against the mean square of the wave itself."""
    mean_square = (shape.at(FULL_TURN) ** 2).mean()
    assert shape.rms == pytest.approx(np.sqrt(2 * mean_square), rel=1e-9)
    assert shape.peak == pytest.approx(np.abs(shape.at(FULL_TURN)).max(), rel=1e-6)


@given(SHAPES)
def test_between_two_leads_of_a_star(shape: Shape) -> None:
    """The wave between leads is one phase less the next, whatever the shape (Kirchhoff)."""
    line = shape.at(FULL_TURN) - shape.at(FULL_TURN - 2 * np.pi / 3)
    said = np.sqrt(3) * shape.between_leads.at(FULL_TURN + np.pi / 6)
    assert line == pytest.approx(said, abs=1e-12)


@given(SHAPES, st.floats(0, 2 * np.pi))
def test_a_triangle_is_the_star_of_its_lines(shape: Shape, angle: float) -> None:
    """Volts between the corners are the windings' own, and those of the star that stands for
    them, 30 degrees behind; but for the third, which goes around the triangle and is refused."""
    winding = shape._replace(h3=0.0)
    star = winding.between_leads
    legs = star.at(angle - np.pi / 6 - np.arange(3) * 2 * np.pi / 3) / np.sqrt(3)
    assert legs - np.roll(legs, -1) == pytest.approx(
        winding.at(angle - np.arange(3) * 2 * np.pi / 3), abs=1e-12
    )


def test_a_trapezoid_of_120_degrees() -> None:
    """Its flat top comes out, of a phase and, twice as high, between two leads of a star (textbook
    of brushless machines, from memory); seven harmonics leave a ripple of 4 %."""
    assert FLAT_120.peak * FUNDAMENTAL_OF_FLAT_120 == pytest.approx(1.0, rel=0.04)
    line = np.sqrt(3) * FLAT_120.between_leads.peak * FUNDAMENTAL_OF_FLAT_120
    assert line == pytest.approx(2.0, rel=0.04)


def test_a_sine_is_exactly_what_it_was(small_project: Project) -> None:
    row = generator(small_project, "hub_small")
    assert row.shape == SINE
    assert (row.knee, row.reading_per_peak) == (row.machine.knee, row.machine.reading_per_peak)
    assert row.touch_per_peak == row.machine.alternating_per_peak


def test_readings_follow_the_shape(small_project: Project) -> None:
    """A capacitor behind the bridge fills to the wave's highest between leads, a true-rms meter
    shows the root of the squares."""
    row, valve = (
        generator(small_project, "hub_small"),
        small_project.catalogue.parts["rectifier"][0],
    )
    shaped = row.model_copy(update={"emf_h3": 0.2, "emf_h5": -0.08})
    line = np.sqrt(3) * (np.sin(FULL_TURN) + 0.08 * np.sin(5 * FULL_TURN))
    volts = row.emf_phase_V_s * 30.0
    filled = [open_rectified_V(one, valve, 30.0) for one in (row, shaped)]  # type: ignore[arg-type]
    assert filled[1] - filled[0] == pytest.approx(volts * (line.max() - np.sqrt(3)), rel=1e-6)
    assert open_winding_V(shaped, 30.0) == pytest.approx(volts * np.sqrt((line**2).mean()))


@pytest.mark.parametrize(
    ("part", "fields", "words"),
    [
        ("treadmill_dc", {"emf_h5": 0.05}, "emf_h5 is for an alternating EMF"),
        ("hub_small", {"emf_h3": 0.1, "open_star": True}, "around a triangle"),
    ],
)
def test_what_no_machine_has_is_refused(
    demo_project: Project, part: str, fields: dict[str, object], words: str
) -> None:
    row = generator(demo_project, part)
    with pytest.raises(ValueError, match=words):
        Generator.model_validate({**row.model_dump(), **fields})


def with_column(study: Path, column: str, value: str) -> Path:
    """The study with a column of its generators, the same in every row but those of direct
    voltage."""
    table = study.parent / "parts" / "generators.csv"
    first, *lines = [one for one in table.read_text().splitlines() if not one.startswith("#")]
    cells = ["" if "brushed_dc" in one else value for one in lines]
    rows = [f"{one},{cell}" for one, cell in zip(lines, cells, strict=True)]
    table.write_text("\n".join([f"{first},{column}", *rows]))
    return study


def test_a_table_gives_them(small_study: Path) -> None:
    project = load(with_column(small_study, "emf_h5", "-0.04"))
    assert generator(project, "hub_small").shape == Shape(h5=-0.04)


@pytest.mark.parametrize("value", ["0.3", "-8"])
def test_implausible_ones_are_refused(small_study: Path, value: str) -> None:
    with pytest.raises(InputError) as caught:
        load(with_column(small_study, "emf_h5", value))
    text = str(caught.value)
    assert "generators.csv" in text
    assert "emf_h5" in text
    assert "-0.21 to 0.21" in text


def test_builds_cannot_differ_in_shape(small_study: Path) -> None:
    """Each build would ask for a map of its own, a minute or two each."""
    with_column(small_study, "emf_h5", "0.08")
    spreads = small_study.parent / "parts" / "spreads.csv"
    text = spreads.read_text()
    mine = next(one for one in text.splitlines() if "emf_phase_V_s" in one or "emf_line_V_s" in one)
    new = mine.replace("emf_phase_V_s", "emf_h5").replace("emf_line_V_s", "emf_h5")
    spreads.write_text(f"{text.rstrip()}\n{new}\n")
    with pytest.raises(InputError, match="cannot differ from build to build"):
        load(small_study)


def test_check_says_what_a_launch_will_solve(small_study: Path) -> None:
    notes = check_study(with_column(small_study, "emf_h7", "0.0123"))["notes"]
    assert any("+1.23 % seventh harmonic in a star" in one and "once" in one for one in notes)


def test_a_triangle_turns_the_sign(small_project: Project) -> None:
    project = with_part(small_project, "generator", "hub_small", emf_h5=0.08)
    assert generator(project, "hub_small").in_delta.shape == Shape(h5=-0.08)
