"""What changed between two states of a study: each value by name, with both of its values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from explorer.commands.change_words import moved_since
from explorer.commands.front_view import FrontView
from explorer.commands.launch import _moved
from explorer.commands.review import review_studies
from explorer.commands.terminal import reviewed
from explorer.decision import changes
from explorer.decision.changes import Change
from explorer.decision.repricing import reprice_and_record
from explorer.errors import InputError
from explorer.inputs.study import load
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store
from tests.helpers.invented import designs, replace_in, results


def row(study: Path, table: str, part: str, column: str, value: str) -> None:
    """Change one cell of a table of the study."""
    import csv

    path = study.parent / "parts" / f"{table}.csv"
    header, *rows = csv.reader(path.read_text().splitlines())
    for line in rows:
        if line[0] == part:
            line[header.index(column)] = value
    with path.open("w", newline="") as stream:
        csv.writer(stream).writerows([header, *rows])


EDITS: list[tuple[Callable[[Path], None], list[Change]]] = [
    (lambda s: None, []),
    (
        lambda s: replace_in(s, {"cost = 150": "cost = 90.5"}),
        [Change("limit", "cost", 150.0, 90.5)],
    ),
    (
        lambda s: replace_in(s, {"cost = 150": "mass_kg = 5"}),
        [Change("limit", "cost", 150.0, None), Change("limit", "mass_kg", None, 5.0)],
    ),
    (
        lambda s: replace_in(
            s, {"cadence_rpm = [50, 65]": "cadence_rpm = {low=50,high=65,step=5}"}
        ),
        [Change("setting", "cadence_rpm", [50.0, 65.0], {"low": 50.0, "high": 65.0, "step": 5.0})],
    ),
    (
        lambda s: replace_in(s, {"[settings]": '[choices]\ngearing = ["belt_4"]\n[settings]'}),
        [Change("setting", "choices.gearing", ["no_gearing", "belt_4", "planetary_8"], ["belt_4"])],
    ),
    (
        lambda s: replace_in(s, {"minutes = 10": "minutes = 11"}),
        [Change("setting", "session.minutes", 10.0, 11.0)],
    ),
    (
        lambda s: replace_in(s, {"[search]": "[build]\nresistor_tolerance = 0.02\n[search]"}),
        [Change("setting", "build.resistor_tolerance", 0.01, 0.02)],
    ),
    (
        lambda s: row(s, "gearings", "belt_4", "efficiency", "0.9"),
        [Change("table", "gearings.belt_4.efficiency", 0.96, 0.9)],
    ),
    (
        lambda s: row(s, "operators", "adult_one_arm", "critical_power_W", "33"),
        [Change("person", "adult_one_arm.critical_power_W", 45.0, 33.0)],
    ),
    (
        lambda s: row(s, "packs", "telemetry_pack", "capacity_Wh", "99"),
        [Change("pack", "telemetry_pack.capacity_Wh", 19.25, 99.0)],
    ),
]


@pytest.mark.parametrize(("edit", "expected"), EDITS)
def test_every_change_is_named_with_both_values(
    small_study: Path, edit: Callable[[Path], None], expected: list[Change]
) -> None:
    before = changes.inputs_of(load(small_study))
    edit(small_study)
    assert list(changes.compare(before, changes.inputs_of(load(small_study)))) == expected


def test_rows_that_come_and_go_are_changes_of_their_table_alone(small_study: Path) -> None:
    full = changes.inputs_of(load(small_study))
    for table in ("gearings", "prices"):
        path = small_study.parent / "parts" / f"{table}.csv"
        lines = path.read_text().splitlines(keepends=True)
        path.write_text("".join(x for x in lines if not x.startswith("planetary_8,")))
    less = changes.inputs_of(load(small_study))
    (gone,) = changes.compare(full, less)
    assert gone[:2] == ("table", "gearings.planetary_8")
    assert gone.before["ratio"] == 8.0
    assert gone.after is None
    assert gone.words == "table gearings.planetary_8 is gone"
    (new,) = changes.compare(less, full)
    assert new.words == "table gearings.planetary_8 is new"


def test_bench_points_are_a_change_of_their_converter(small_study: Path) -> None:
    before = changes.inputs_of(load(small_study))
    path = small_study.parent / "bench" / "converter_points.csv"
    header, first, *rest = path.read_text().splitlines()
    cells = first.split(",")
    cells[header.split(",").index("efficiency")] = "0.777"
    path.write_text("\n".join([header, ",".join(cells), *rest]))
    (change,) = changes.compare(before, changes.inputs_of(load(small_study)))
    assert change[:2] == ("table", f"converters.{cells[0]}.bench_points")


def test_a_rerun_names_what_changed_since_the_last_run_once(small_study: Path) -> None:
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        store.append(project, results(project, designs(project, 200)), "sweep")
        assert reprice_and_record(project, store, store.load(project)[0]).changed == ()
        replace_in(small_study, {"cost = 150": "cost = 140"})
        later = load(small_study)
        free = reprice_and_record(
            replace(later, what_if={"belt_4": None}), store, store.load(later)[0]
        )
        found = reprice_and_record(later, store, store.load(later)[0])
        assert free.changed == found.changed == (Change("limit", "cost", 150.0, 140.0),)
        assert found.summary()["changed"] == [
            {"what": "limit", "name": "cost", "before": 150.0, "after": 140.0}
        ]
        assert reprice_and_record(later, store, store.load(later)[0]).changed == ()


def test_launch_and_review_name_a_changed_row_with_both_values(small_study: Path) -> None:
    """Designs with the row that changed leave the front, and the words say which value did it."""
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        store.append(project, results(project, designs(project, 200)), "sweep")
        assert moved_since(_moved(FrontView.at_todays_prices(project, store))) == []
        before = reprice_and_record(project, store, store.load(project)[0])
        row(small_study, "gearings", "belt_4", "efficiency", "0.9")
        later = load(small_study)
        view = FrontView.at_todays_prices(later, store)
        moved, front = _moved(view), ids_of(view.stored.numbers[view.rows])
        kept = ids_of(store.load(project)[0].numbers[before.front])
    assert moved["left"] == [one for one in kept if one not in front]
    assert moved["left"]
    change = "changed since the last run: table gearings.belt_4.efficiency: 0.96 -> 0.9"
    words = moved_since(moved)
    assert words[0] == change
    assert words[1].startswith("since the last run ")
    assert words[1].endswith(f"{len(moved['left'])} left it")
    assert change in reviewed(review_studies(small_study))


def test_where_nothing_stored_holds_any_more_the_cause_is_named(small_study: Path) -> None:
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        store.append(project, results(project, designs(project, 200)), "sweep")
        reprice_and_record(project, store, store.load(project)[0])
        row(small_study, "operators", "adult_one_arm", "critical_power_W", "33")
        later = load(small_study)
        with pytest.raises(InputError) as caught:
            reprice_and_record(later, store, store.load(later)[0])
    _, cause = map(str, caught.value.faults)
    assert cause.endswith("changed: person adult_one_arm.critical_power_W: 45 -> 33")
