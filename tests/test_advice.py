"""Verdicts and advice against a plain search through all combinations, and what a lock keeps."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from math import inf, isclose
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from typer.testing import CliRunner

import explorer
from explorer.cli import app
from explorer.commands.evaluate import evaluate_file
from explorer.commands.lock import lock_design
from explorer.commands.rerun import rerun_study
from explorer.decision import neighbours
from explorer.decision.candidates import Origin
from explorer.decision.changes import Change
from explorer.decision.decisions import decided_path
from explorer.decision.lock import lock, read_locks
from explorer.decision.neighbours import designs_around
from explorer.decision.not_known import unknown_after
from explorer.decision.repricing import reprice
from explorer.inputs.links import LINKS
from explorer.inputs.price_section import Matters
from explorer.inputs.records import SETTINGS
from explorer.inputs.sections import Limits, Setting, Worth
from explorer.inputs.study import Project, load
from explorer.model import costing, evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.space import Designs, Space, describe
from explorer.model.stepped import sessions_of
from explorer.store.keys import design_numbers, ids_of, path_of
from explorer.store.promises import odds_of
from explorer.store.results import SESSION, Store
from explorer.store.stored import Stored
from tests.helpers.chains import with_study
from tests.helpers.invented import locked, results
from tests.test_money import at_random

UNITS = {
    "delivered_energy_J": 100.0,
    "cost": 10.0,
    "mass_kg": 0.5,
    "crank_effort_percent": 10.0,
}
NARROW = ("lead", "clamp", "window")
"""Links of which one part is left, so that a plain search takes its time only."""


def alike(project: Project, chosen: Designs) -> Evaluation:
    """Made-up results: designs of the same parts differ by little, so that what counts decides."""
    rng = np.random.default_rng(5)
    bills = np.stack([chosen.parts[link] for link in LINKS] + [chosen.settings["cells_series"]])
    _, group = np.unique(bills, axis=1, return_inverse=True)
    group = group.reshape(-1)
    count, n = int(group.max()) + 1, len(chosen)
    energy = rng.uniform(400, 1500, count)[group] * rng.choice([1, 1.002, 1.004, 1.02], n)
    effort = rng.uniform(30, 95, count)[group] + rng.choice([0, 0.3, 0.6, 4], n)
    found = results(project, chosen)
    return replace(
        found,
        delivered_energy_J=energy,
        crank_effort_percent=effort,
        cases=tuple(
            case._replace(delivered_energy_J=energy, crank_effort_percent=effort)
            for case in found.cases
        ),
    )


@pytest.fixture
def narrow(small_project: Project) -> Project:
    choices = {
        link: names[:1] if link in NARROW else names
        for link, names in small_project.study.choices.items()
    }
    study = replace(small_project.study, choices=choices, worth=Worth(**UNITS))
    return replace(small_project, study=study)


@pytest.fixture
def store(narrow: Project):
    space = Space.of(narrow)
    with Store.open(path_of(narrow)) as opened:
        opened.append(narrow, alike(narrow, space.at(np.arange(space.size))), SESSION)
        yield opened


def moved(project: Project, seed: int) -> Project:
    """The project at random money and limits, and with something else that matters."""
    rng = np.random.default_rng(100 + seed)
    project = at_random(project, seed)
    limits = Limits(
        cost=project.study.limits.cost,
        mass_kg=float(rng.uniform(2.5, 5.0)) if rng.random() < 0.5 else None,
        crank_effort_percent=float(rng.uniform(50, 90)) if rng.random() < 0.5 else None,
        delivered_energy_J=float(rng.uniform(400, 700)) if rng.random() < 0.5 else None,
        first_charge_s=float(rng.uniform(60, 300)) if rng.random() < 0.5 else None,
    )
    matters = [Matters(), Matters(cost=0, energy_percent=0, mass_kg=0, crank_effort_percent=0),
               Matters(cost=3, energy_percent=5, mass_kg=0.2, crank_effort_percent=5)]  # fmt: skip
    project = replace(project, study=replace(project.study, limits=limits))
    return with_study(project, "prices", matters=matters[seed % 3])


class Plain(NamedTuple):
    """A design as plain values; `able` says that it may be built."""

    parts: Mapping[str, str]
    pieces: Mapping[str, int]
    point: tuple[float, ...]
    able: bool


def plain_spending(project: Project, part: str, pieces: int) -> float:
    """What a kit's share of the pieces of a part comes to."""
    kits, owned = project.study.prices.build_quantity, project.study.owned
    short = max(kits * pieces - owned.get(part, 0), 0)
    ways = [
        max(short, one.from_quantity) * one.amount
        for one in project.catalogue.prices.breaks[part]
        if one.available is None or max(short, one.from_quantity) <= one.available
    ]
    return min(ways, default=inf) / kits if short else 0.0


def plain_designs(project: Project, stored: Stored) -> list[Plain]:
    taken = costing.quantities(project.catalogue, stored.designs)
    limits = project.study.limits
    found = []
    for row in range(len(stored)):
        parts, _ = describe(project.catalogue, stored.designs, row)
        pieces = {link: int(taken[link][row]) for link in LINKS}
        cost = round(sum(plain_spending(project, parts[k], pieces[k]) for k in LINKS), 9)
        energy, effort = stored.delivered_energy_J[row], stored.crank_effort_percent[row]
        mass, first = stored.mass_kg[row], stored.time_to_first_charge_s[row]
        able = (
            bool(stored.keeps_physics[row])
            and cost < inf
            and cost <= (limits.cost or inf)
            and mass <= (limits.mass_kg or inf)
            and effort <= (limits.crank_effort_percent or inf)
            and energy >= (limits.delivered_energy_J or 0)
            and first <= (limits.first_charge_s or inf)
        )
        point = (-float(energy), cost, float(mass), float(effort))
        found.append(Plain(parts, pieces, point, able))
    return found


def beats(project: Project, one: Plain, other: Plain) -> bool:
    matters = project.study.prices.matters
    least = (
        matters.energy_percent / 100 * -other.point[0],
        matters.cost,
        matters.mass_kg,
        matters.crank_effort_percent,
    )
    gains = [round(b - a, 9) for a, b in zip(one.point, other.point, strict=True)]
    exact = [b - a for a, b in zip(one.point, other.point, strict=True)]
    exact[1] = gains[1]
    return min(exact) >= 0 and any(gain > by for gain, by in zip(exact, least, strict=True))


def swaps(one: Plain, other: Plain) -> set[str]:
    differ = {link for link in LINKS if one.parts[link] != other.parts[link]}
    if one.pieces["cell"] != other.pieces["cell"]:
        differ.add("cell")
    return differ or {link for link in LINKS if one.pieces[link] != other.pieces[link]}


def worth(one: Plain) -> float:
    return -sum(value / unit for value, unit in zip(one.point, UNITS.values(), strict=True))


def switching(project: Project, one: Plain, other: Plain) -> float:
    """What must be bought of the parts in which a design differs from one."""
    changed = swaps(one, other) | {k for k in LINKS if one.pieces[k] != other.pieces[k]}
    return sum(plain_spending(project, other.parts[k], other.pieces[k]) for k in changed)


@pytest.mark.parametrize("seed", range(12))
def test_verdict_and_advice_are_those_of_a_plain_search(
    narrow: Project, store: Store, seed: int
) -> None:
    project = moved(narrow, seed)
    stored, _ = store.load(project)
    every = plain_designs(project, stored)
    able = [row for row, one in enumerate(every) if one.able]
    unbeaten = {r: not any(beats(project, every[o], every[r]) for o in able) for r in able}
    rng = np.random.default_rng(seed)
    rows = list(dict.fromkeys([
        *[r for r in able if unbeaten[r]][:4], *rng.permutation(able)[:6].tolist(),
        *rng.integers(0, len(every), 5).tolist(),
    ]))  # fmt: skip
    # What a lock recorded, when it could be bought.
    locks = [locked(narrow, stored, row) for row in rows]
    found = reprice(project, stored, locks=locks).locked
    assert [one.design_id for one in found] == ids_of(stored.numbers[rows])
    for row, one in zip(rows, found, strict=True):
        own = every[row]
        others = [r for r in able if r != row]
        rivals = [r for r in others if beats(project, every[r], own)]
        lasting = [r for r in rivals if unbeaten[r]]

        def fewest(some: list[int], own: Plain = own) -> list[int]:
            """Those with fewest parts swapped that are worth most."""
            least = min((len(swaps(own, every[r])) for r in some), default=0)
            some = [r for r in some if len(swaps(own, every[r])) == least]
            most = max((worth(every[r]) for r in some), default=0)
            return [r for r in some if isclose(worth(every[r]), most, rel_tol=1e-9)]

        best = fewest(lasting if own.able else others)
        if own.able:
            free = best and not swaps(own, every[best[0]])
            assert one.status == ("adjust" if free else "beaten" if best else "kept")
        else:
            assert one.status == ("sold_out" if own.point[1] == inf else "infeasible")
        count = len(swaps(own, every[best[0]])) if best else None
        expected = {None: "stay" if own.able else "none", 0: "turn", 1: "swap", 2: "swap"}
        assert one.advice.action == expected.get(count, "rebuild")
        if best:
            target = stored.find(one.advice.design_id or "")
            assert target in best
            assert one.cost_to_switch == pytest.approx(every[target].point[1])
            assert one.advice.cost_to_switch == pytest.approx(
                switching(project, own, every[target])
            )
            assert set(one.advice.parts) == swaps(own, every[target])
        by_swaps = {option.swaps: option for option in one.options}
        for swapped in range(3):
            mine = [r for r in others if len(swaps(own, every[r])) == swapped]
            ways = [
                [r for r in mine if r in lasting and own.able],
                [r for r in mine if r in rivals and own.able],
                [r for r in mine if not own.able or worth(every[r]) > worth(own)],
            ]
            good = next((fewest(way) for way in ways if way), [])
            assert (swapped in by_swaps) == bool(good)
            if good:
                assert stored.find(by_swaps[swapped].design_id) in good


def test_what_does_not_count_topples_no_lock(narrow: Project) -> None:
    """A thousandth of a joule at another cadence is none; two percent are set, not rebuilt."""
    one = Space.of(narrow).at(np.zeros(1, np.int64))
    for more, status in ((3e-6, "kept"), (0.02, "adjust")):
        chosen = Designs(
            {k: np.repeat(v, 2) for k, v in one.parts.items()},
            {**{k: np.repeat(v, 2) for k, v in one.settings.items()},
             "cadence_rpm": np.array([50.0, 65.0])},
        )  # fmt: skip
        made = results(narrow, chosen)
        energy, same = np.array([1000.0, 1000.0 * (1 + more)]), np.full(2, 50.0)
        made = replace(
            made,
            delivered_energy_J=energy,
            crank_effort_percent=same,
            margins={k: np.abs(v) for k, v in made.margins.items()},
            cases=tuple(
                c._replace(delivered_energy_J=energy, crank_effort_percent=same) for c in made.cases
            ),
        )
        path_of(narrow).unlink(missing_ok=True)
        with Store.open(path_of(narrow)) as store:
            store.append(narrow, made, SESSION)
            stored, _ = store.load(narrow)
            row = int(np.argmin(stored.delivered_energy_J))
            decided_path(narrow).unlink(missing_ok=True)
            lock(narrow, store, ids_of(stored.numbers[[row]])[0])
        again = ["rerun", str(narrow.path), "--quick", "--no-page", "--fail-if-beaten"]
        ended = CliRunner().invoke(app, again)
        assert ended.exit_code == 0, ended.output
        assert ("adjust" in ended.output) == (status == "adjust")
        found = reprice(narrow, stored, locks=[locked(narrow, stored, row)])
        (verdict,) = found.locked
        assert verdict.status == status
        assert not found.beaten
        if status == "adjust":
            assert verdict.advice.text == "Turn at 65 rpm: 20 J more energy."
            assert verdict.advice.settings == {"cadence_rpm": 65}
            assert verdict.advice.cost_to_switch == 0
            assert verdict.advice.parts == {}


def test_all_designs_up_to_two_swaps_away_are_looked_at(small_project: Project) -> None:
    space = Space.of(small_project)
    one = space.at(np.array([17]))
    (number,) = design_numbers(small_project.catalogue, one)
    around = designs_around(small_project, Origin(one, int(number)))
    every = space.at(np.arange(space.size))
    taken = costing.quantities(small_project.catalogue, every)
    own = costing.quantities(small_project.catalogue, one)
    plain = [
        Plain(describe(small_project.catalogue, every, row)[0],
              {k: int(taken[k][row]) for k in LINKS}, (), True)
        for row in range(len(every))
    ]  # fmt: skip
    itself = Plain(
        describe(small_project.catalogue, one, 0)[0], {k: int(own[k][0]) for k in LINKS}, (), True
    )
    near = [row for row, other in enumerate(plain) if len(swaps(itself, other)) <= 2]
    expected = set(design_numbers(small_project.catalogue, every)[near].tolist())
    assert set(design_numbers(small_project.catalogue, around).tolist()) == expected


def test_very_many_parts_take_no_longer(small_project: Project, monkeypatch) -> None:
    """Pairs are made of the parts that are worth most alone; settings are thinned, the own stay."""
    space = Space.of(small_project)
    one = space.at(np.array([17]))
    (number,) = design_numbers(small_project.catalogue, one)
    origin = Origin(one, int(number))
    filtered = []
    monkeypatch.setattr(neighbours, "MOST_NEAR", 120)
    plain = evaluate.evaluate
    monkeypatch.setattr(
        evaluate, "evaluate",
        lambda project, some, *rest: filtered.append(some) or plain(project, some, *rest),
    )  # fmt: skip
    found = neighbours.stepped_around(small_project, origin)
    near, far = filtered[:2]
    every = neighbours.pairs(
        small_project, origin, neighbours._choices(small_project, origin),
        neighbours._coarse_grid(small_project, origin),
    )  # fmt: skip
    assert 0 < len(far) <= 120 < len(every)
    taken = design_numbers(small_project.catalogue, found.designs)
    assert taken[0] == number
    assert len(near) > 0
    study = small_project.study
    many = {**study.settings, "undervoltage_off_V": Setting.model_validate(
        {"low": 4.0, "high": 6.0, "step": 0.001})}  # fmt: skip
    wide = replace(small_project, study=replace(study, settings=many))
    for grid in (neighbours._fine_grid(wide, origin), neighbours._coarse_grid(wide, origin)):
        assert len(grid) <= neighbours.MOST_TURNED
        own = [float(one.settings[name][0]) for name in SETTINGS]
        assert (grid == own).all(axis=1).any()


@pytest.fixture(scope="module")
def launched(tmp_path_factory) -> Path:
    """The small study, launched; read only."""
    import shutil

    home = tmp_path_factory.mktemp("advice") / "small"
    shutil.copytree(Path(__file__).parent / "data" / "small", home)
    explorer.launch(home / "small.toml", workers=1, page=False)
    return home


@pytest.fixture
def study(launched: Path, tmp_path: Path) -> Path:
    import shutil

    shutil.copytree(launched, tmp_path / "copy")
    return tmp_path / "copy" / "small.toml"


def first_of_front(study: Path) -> str:
    return str(explorer.front_table(study).index[0])


def test_a_lock_keeps_its_options_and_a_rerun_prices_them_anew(study: Path) -> None:
    design = first_of_front(study)
    answer = lock_design(study, design, page=False)
    kept = answer["locked"]
    json.dumps(answer)
    assert kept["advice"]["text"]
    (entry,) = tomllib.loads((study.parent / "small.decided.toml").read_text())["locked"]
    assert entry["advice"]["text"] == kept["advice"]["text"]
    assert [o["text"] for o in entry["options"]] == [o["text"] for o in kept["options"]]
    project = load(study)
    for option in kept["options"]:
        design_of = {
            "parts": {**kept["parts"], **option["parts"]},
            "settings": {**kept["settings"], **option["settings"]},
        }
        found = explorer.evaluate(project, [design_of]).iloc[0]
        assert found.name == option["design_id"]
        assert option["delivered_energy_J"] == pytest.approx(found["delivered_energy_J"])
        assert option["cost"] == pytest.approx(found["cost"])
    prices = study.parent / "parts" / "prices.csv"
    lines = prices.read_text().splitlines()
    part = kept["parts"]["gearing"]
    lines = [
        line.replace(line.split(",")[1], str(float(line.split(",")[1]) + 7), 1)
        if line.startswith(f"{part},")
        else line
        for line in lines
    ]
    prices.write_text("\n".join(lines) + "\n")
    again = rerun_study(study, quick=True, page=False)
    (verdict,) = again["locked"]
    assert again["physics_evaluations"] == 0
    assert verdict["advice"]["action"] in ("stay", "turn", "swap", "rebuild")
    dearer = load(study)
    for option in verdict["options"]:
        parts = {**kept["parts"], **option["parts"]}
        settings = {**kept["settings"], **option["settings"]}
        found = explorer.evaluate(dearer, [{"parts": parts, "settings": settings}]).iloc[0]
        assert option["cost"] == pytest.approx(found["cost"])


def options_in_store(project: Project) -> set[int]:
    with Store.open(path_of(project)) as store:
        return set(store.load_options(project).numbers.tolist())


def test_a_rerun_in_a_fresh_clone_advises_as_the_lock_did(study: Path) -> None:
    """The lock's search knew more: what is a step away from the design is the same."""
    project = load(study)
    lock_design(study, str(explorer.front_table(study).index[-1]), page=False)
    around = options_in_store(project)
    path_of(project).unlink()
    answer = rerun_study(study, page=False)
    assert answer["physics_evaluations"] > len(around)
    assert options_in_store(project) == around
    (verdict,) = answer["locked"]
    assert verdict["options"]
    again = rerun_study(study, page=False)
    assert again["physics_evaluations"] == 0
    assert again["locked"][0]["options"] == verdict["options"]


def test_what_is_stepped_for_a_lock_is_no_design_of_the_search(study: Path) -> None:
    before = rerun_study(study, quick=True, page=False)
    lock_design(study, first_of_front(study), page=False)
    after = rerun_study(study, quick=True, page=False)
    assert (after["entered"], after["left"]) == ([], [])
    assert after["front"] == before["front"]
    with Store.open(path_of(load(study))) as store:
        assert len(store.load_options(load(study))) > 0


def test_a_decision_from_before_there_was_advice_is_read(study: Path) -> None:
    project = load(study)
    with Store.open(path_of(project)) as store:
        lock(project, store, first_of_front(study))
    text = (study.parent / "small.decided.toml").read_text()
    assert "advice" not in text
    assert "options" not in text
    (one,) = read_locks(project)
    assert one.advice is None
    (verdict,) = rerun_study(study, quick=True, page=False)["locked"]
    assert verdict["advice"]["text"]


def test_an_owned_chain_pays_for_what_it_lacks_alone(study: Path, tmp_path: Path) -> None:
    project = load(study)
    table = explorer.front_table(study)
    row = table.iloc[len(table) // 2]
    parts = {link: row[f"parts.{link}"] for link in LINKS}
    settings = {name: float(row[f"settings.{name}"]) for name in SETTINGS}
    file = tmp_path / "mine.toml"
    lines = ["[parts]", *(f'{k} = "{v}"' for k, v in parts.items())]
    lines += ["[settings]", *(f"{k} = {v:g}" for k, v in settings.items())]
    file.write_text("\n".join(lines) + "\n")
    answer = evaluate_file(study, file)
    json.dumps(answer)
    taken = {line["part"]: line["quantity"] for line in answer["bill"]}
    assert answer["options"]
    for option in answer["options"]:
        assert option["cost"] == option["cost_to_switch"]
        paid = sum(
            (line["quantity"] - taken.get(line["part"], 0))
            * project.catalogue.prices.unit_price(line["part"])
            for line in option["buys"]
        )
        assert option["cost"] == pytest.approx(paid)
    assert answer["advice"]["action"] in ("stay", "turn")

    # The best with one part swapped, of all sessions.
    one = Space.of(project)
    every = one.at(np.arange(one.size))
    rows = np.sum([
        np.array([project.catalogue.parts[k][r].id != parts[k] for r in every.parts[k].tolist()])
        for k in LINKS
    ], axis=0)  # fmt: skip
    cells = every.settings["cells_series"] != settings["cells_series"]
    own_cell = np.array([
        project.catalogue.parts["cell"][r].id == parts["cell"] for r in every.parts["cell"].tolist()
    ])  # fmt: skip
    near = np.flatnonzero(rows + (cells & own_cell) == 1)
    found = sessions_of(project, every.take(near))
    able = np.all([m >= 0 for m in found.margins.values()], axis=0)
    gained = {o["swaps"]: o for o in answer["options"]}
    if 1 in gained:
        energies = found.delivered_energy_J[able]
        assert gained[1]["delivered_energy_J"] in [pytest.approx(e) for e in energies]
        from explorer.model.bounds import goal_units

        units = goal_units(project)
        kept = found.take(np.flatnonzero(able))
        costs = [
            sum(
                max(int(n[k]) - taken.get(p, 0), 0) * project.catalogue.prices.unit_price(p)
                for n, p in (
                    (quantity, project.catalogue.parts[link][int(kept.designs.parts[link][k])].id)
                    for link, quantity in costing.quantities(
                        project.catalogue, kept.designs
                    ).items()
                )
            )
            for k in range(len(kept))
        ]
        worths = (
            kept.delivered_energy_J / units[0]
            - np.array(costs) / units[1]
            - kept.mass_kg / units[2]
            - kept.crank_effort_percent / units[3]
        )
        best = gained[1]
        mine = (
            best["delivered_energy_J"] / units[0]
            - best["cost"] / units[1]
            - best["mass_kg"] / units[2]
            - best["crank_effort_percent"] / units[3]
        )
        assert mine == pytest.approx(worths.max())


def change(what: str, name: str, before: Any, after: Any) -> Change:
    return Change(what, name, before, after)


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (change("limit", "cost", 90.0, 120.0), ""),
        (change("limit", "mass_kg", 5.0, 4.0), ""),
        (change("limit", "mass_kg", 4.0, 5.0), "only today's limit allows"),
        (change("limit", "mass_kg", 4.0, None), "only today's limit allows"),
        (change("limit", "delivered_energy_J", 300.0, 200.0), "only today's limit allows"),
        (change("limit", "delivered_energy_J", 300.0, 400.0), ""),
        (change("limit", "first_charge_s", 300.0, 100.0), "may charge sooner"),
        (change("setting", "cadence_rpm", [50.0, 65.0], [50.0, 65.0, 70.0]), "new values"),
        (change("setting", "cadence_rpm", [50.0, 65.0], [50.0]), "only a value of then beat"),
        (change("setting", "choices.lead", ["a"], ["a", "b"]), "b were never tried"),
        (change("setting", "choices.lead", ["a", "b"], ["a"]), ""),
        (change("setting", "session.minutes", 10.0, 5.0), "no result from before holds"),
        (change("setting", "build.hazard_chance", 0.01, 0.02), ""),
        (change("person", "adult_one_arm.critical_power_W", 1.0, 2.0), "no result from before"),
        (change("pack", "telemetry_pack", None, {"a": 1}), "no result from before"),
    ],
)
def test_what_a_store_cannot_know_after_a_change(
    small_project: Project, one: Change, why: str
) -> None:
    found = unknown_after(small_project, [one])
    if not why:
        assert found == ()
        return
    assert why in found[0].why
    assert found[0].command == f"genchain launch {small_project.path}"


def test_a_rerun_names_what_it_cannot_know_until_a_launch(study: Path) -> None:
    assert rerun_study(study, quick=True, page=False)["cannot_know"] == []
    text = study.read_text()
    study.write_text(text.replace("first_charge_s = 300", "first_charge_s = 200"))
    (first,) = rerun_study(study, quick=True, page=False)["cannot_know"]
    assert (first["what"], first["name"], first["after"]) == ("limit", "first_charge_s", 200)
    # It is no news that the last rerun has named: it holds until somebody launches.
    (again,) = rerun_study(study, quick=True, page=False)["cannot_know"]
    assert again == first
    explorer.launch(study, workers=1, page=False)
    assert rerun_study(study, quick=True, page=False)["cannot_know"] == []
    study.write_text(text)
    assert rerun_study(study, quick=True, page=False)["cannot_know"] == []


@pytest.mark.slow
def test_where_builds_promise_a_change_promises_too(small_study: Path) -> None:
    text = small_study.read_text()
    small_study.write_text(f"{text}\n[promise]\ndraws = 50\nminutes = 0.3\n")
    answer = explorer.launch(small_study, workers=1, page=False)
    design = answer["picks"]["most_energy"] or answer["front"][0]["design_id"]
    kept = lock_design(small_study, design, page=False)["locked"]
    project = load(small_study)
    assert kept["options"]
    for option in kept["options"]:
        number = np.array([int(option["design_id"], 16)], np.uint64)
        with Store.open(path_of(project)) as store:
            (odds,) = odds_of(project, store, number)
        assert odds.settled(project.study.promise)
        promised = odds.promised_energy_J(project.study.promise)
        assert option["promised_energy_J"] == pytest.approx(promised, abs=0.05)
    (verdict,) = rerun_study(small_study, quick=True, page=False)["locked"]
    assert verdict["advice"]["text"] == kept["advice"]["text"]
