"""What was measured of a part holds in its builds in place of the spread of its class."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from explorer.commands.launch import launch_study
from explorer.commands.start import start
from explorer.errors import InputError
from explorer.inputs.catalogue import FITTED
from explorer.inputs.links import LINKS
from explorer.inputs.spreads import class_text
from explorer.inputs.study import Project, load
from explorer.model import promise, tolerance
from explorer.model.spreads import spreads_of_part, unspoken
from tests.conftest import DEMO
from tests.helpers.chains import pick

HEADER = "link,part,column,low,high,shape,varies,source,dated"
ROW = "generator,hub_small,emf_line_V_s,0.99,1.01,lognormal,batch,measured: open volts,2026-11-25"


def written(study: Path, *rows: str) -> Path:
    """The study with some rows of spreads.csv and no others."""
    (study.parent / "parts" / "spreads.csv").write_text("\n".join([HEADER, *rows]) + "\n", "utf-8")
    return study


def measured(study: Path, *rows: str) -> Path:
    """The study with some rows below what is usual of each class."""
    return written(study, *class_text().splitlines()[1:], *rows)


def test_a_measured_value_differs_by_what_its_measurement_leaves(small_study: Path) -> None:
    """The class's EMF is drawn within 5 %, the measured one's logarithm is normal: 95 % lie within
    1 %, and the other parts of the table are as before."""
    bare = load(small_study)
    project = load(measured(small_study, ROW))
    designs = pick(project)

    def drawn(some, number: int) -> tuple[float, float]:
        build = promise.draw(some, designs, [number]).project.catalogue.parts["generator"]
        base = some.catalogue.parts["generator"]
        return tuple(
            one.emf_phase_V_s / of.emf_phase_V_s for one, of in zip(build[:2], base, strict=False)
        )

    mine, others = np.array([drawn(project, number) for number in range(400)]).T
    class_mine, _ = np.array([drawn(bare, number) for number in range(200)]).T
    assert 0.9 < np.mean(np.abs(np.log(mine)) < np.log(1.01)) <= 1.0
    assert np.ptp(class_mine) > 0.08
    assert np.ptp(others) > 0.08
    spreads = {one.says: one for one in tolerance.spreads_of(project, designs)}
    assert any("as measured" in words for words in spreads)
    assert "open voltage (EMF) of the generator" not in spreads


def test_energies_draw_closer_together(small_study: Path) -> None:
    """A chain whose energy hangs on one number that was then measured."""
    designs = pick(load(small_study), {"cadence_rpm": 30.0, "cell": "cell_100f"})
    before = tolerance.tolerance(load(small_study), designs, draws=300)
    columns = ("emf_line_V_s", "drag_torque_N_m", "drag_viscous_N_m_s", "resistance_line_ohm")
    rows = [ROW.replace("emf_line_V_s", name) for name in columns]
    project = load(measured(small_study, *rows))
    after = tolerance.tolerance(project, designs, draws=300)
    assert np.std(after.energy_J) < 0.95 * np.std(before.energy_J)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (ROW.replace("hub_small", "hub_unknown"), "is not in its table"),
        (ROW.replace("generator,", "flywheel,"), "is no table of the study"),
        (ROW.replace("emf_line_V_s", "emf_of_it"), "is no column of its table"),
        (ROW.replace("0.99", "1.02"), "low must not be above high"),
        (ROW.replace("lognormal", "square"), "shape"),
    ],
)
def test_wrong_rows_are_named(small_study: Path, row: str, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        load(written(small_study, row))
    assert "spreads.csv" in str(caught.value)
    assert "row 2" in str(caught.value)


def test_a_column_stands_once(small_study: Path) -> None:
    with pytest.raises(InputError, match="stands twice"):
        load(written(small_study, ROW, ROW))


def test_what_no_row_speaks_of_does_not_differ(small_study: Path) -> None:
    """With a row for the cells alone every other number is the table's in every build, and what the
    study could have said and did not is listed."""
    row = "cell,all,esr_ohm,0.6,1,even,batch,assumed,2026-11-25"
    project = load(written(small_study, row))
    for number in range(0, 40, 8):
        build = promise.draw(project, pick(project), [number]).project.catalogue
        for link in set(LINKS) - {"cell", "window"}:
            assert build.parts[link] == project.catalogue.parts[link]
        assert build.operators == project.catalogue.operators
        for one, of in zip(build.parts["cell"], project.catalogue.parts["cell"], strict=True):
            assert 0.6 * of.esr_ohm <= one.esr_ohm <= of.esr_ohm
            assert one.capacitance_F == of.capacitance_F
    assert "open voltage (EMF) of the generator" in unspoken(project)
    assert "resistance of the cells" not in unspoken(project)


def test_the_shipped_spreads_speak_of_everything(small_project: Project, tmp_path: Path) -> None:
    """What a new study begins with and the demo's own rows of classes are what is shipped."""
    assert unspoken(small_project) == ()
    demo = (DEMO.parent / "parts" / "spreads.csv").read_text("utf-8").splitlines()
    assert set(class_text().splitlines()) <= set(demo)
    started = Path(start("my_study", home=tmp_path)["study"]).parent / "parts" / "spreads.csv"
    assert set(class_text().splitlines()) <= set(started.read_text("utf-8").splitlines())


def test_rows_hold_by_weight(small_study: Path) -> None:
    """A part's own row, before its kind's, before that of all; a cell's own least capacitance and
    its own spread of pieces before both."""
    rows = (
        "cell,all,esr_ohm,0.9,1,even,batch,assumed,2026-11-25",
        "cell,supercapacitor,esr_ohm,0.8,1,even,batch,assumed,2026-11-25",
        "cell,cell_100f,esr_ohm,0.7,1,even,batch,measured,2026-11-25",
        "cell,all,capacitance_F,0.95,1.1,even,batch,assumed,2026-11-25",
        "cell,all,capacitance_F,0.96,1.04,even,each,sorted,2026-11-25",
    )
    project = load(written(small_study, *rows))
    low = {
        cell.id: {one.fields[0]: one.low for one in spreads_of_part(project, "cell", cell)}
        for cell in project.catalogue.parts["cell"]
    }
    for cell in project.catalogue.parts["cell"]:
        kind = 0.8 if cell.kind == "supercapacitor" else 0.9
        assert low[cell.id]["esr_ohm"] == (0.7 if cell.id == "cell_100f" else kind)
        assert low[cell.id]["capacitance_F"] == cell.capacitance_low_fraction
        own = "piece_spread" in cell.model_fields_set
        assert own or cell.piece_spread == pytest.approx(0.04)


def test_builds_that_do_not_differ_promise_what_the_tables_say(small_study: Path) -> None:
    """Without spreads.csv, or with an empty one, no build is drawn: each promise is the session's
    energy, and what is recommended is so by nominal values; the study is said to have none."""
    text = small_study.read_text("utf-8") + "\n[promise]\n"
    small_study.write_text(text, "utf-8")
    (small_study.parent / "parts" / "spreads.csv").unlink()
    answer = launch_study(small_study, workers=1, page=False)
    assert any("spreads.csv is not there" in note for note in answer["notes"])
    assert answer["front"]
    for record in answer["front"]:
        assert record["promised_energy_J"] == record["delivered_energy_J"]
        assert record["worst_tenth_J"] == record["delivered_energy_J"]
        assert (record["draws"], record["hazard_chance"]) == (0, None)
    assert answer["picks"]["recommended"]


def test_a_row_of_all_parts_replaces_the_class_and_a_part_its_row(small_study: Path) -> None:
    """Every generator's EMF within a thousandth, but one's within a tenth; a person the same."""
    rows = (
        "generator,all,emf_phase_V_s,0.999,1.001,even,batch,sorted by hand,2026-11-25",
        "generator,hub_small,emf_phase_V_s,0.9,1.1,even,batch,one reading,2026-11-25",
        "operator,all,comfort_force_N,0.99,1.01,even,batch,a luggage scale,2026-11-25",
    )
    project = load(written(small_study, *rows))
    base = {one.id: one for one in project.catalogue.parts["generator"]}
    emf: dict[str, list[float]] = {name: [] for name in base}
    force = []
    for number in range(0, 400, 8):
        build = promise.draw(project, pick(project), [number]).project.catalogue
        for one in build.parts["generator"]:
            emf[one.id].append(one.emf_phase_V_s / base[one.id].emf_phase_V_s)  # type: ignore[attr-defined]
        person = build.operators["adult_one_arm"]
        force.append(
            person.comfort_force_N / project.catalogue.operators[person.id].comfort_force_N
        )
    assert np.ptp(emf.pop("hub_small")) > 0.15
    assert max(np.ptp(some) for some in emf.values()) < 0.0021
    assert 0.015 < np.ptp(force) < 0.021


def test_the_terms_of_a_measured_loss_are_drawn_as_one(small_study: Path) -> None:
    """Two ammeters are off alike in all terms: drawn one by one they would average out."""
    terms = [name for name in FITTED if name.startswith("loss_")]
    row = ROW.replace("generator,hub_small", "converter,buckboost_wide")
    rows = [row.replace("emf_line_V_s", name).replace("0.99,1.01", "0.8,1.25") for name in terms]
    project = load(written(small_study, *rows))
    table = project.catalogue.parts["converter"]
    at = next(k for k, one in enumerate(table) if one.id == "buckboost_wide")
    own = spreads_of_part(project, "converter", table[at])
    assert [one.fields for one in own if "as measured" in one.says] == [tuple(terms)]
    factors = []
    for number in range(200):
        drawn = promise.draw(project, pick(project), [number]).project.catalogue.parts["converter"]
        of = {n: getattr(drawn[at], n) / v for n in terms if (v := getattr(table[at], n))}
        assert np.ptp(list(of.values())) < 1e-9
        factors.append(next(iter(of.values())))
    assert 0.9 < np.mean(np.abs(np.log(factors)) < np.log(1.25)) <= 1.0
    assert np.std(np.log(factors)) == pytest.approx(np.log(1.25) / 1.96, rel=0.15)
