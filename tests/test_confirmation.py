"""Sessions confirm or refute: which designs come first, which are refuted, how far they agree."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import qmc

from explorer.commands.front_view import FrontView
from explorer.commands.launch import launch_study
from explorer.commands.review import review_studies
from explorer.decision import confirmation
from explorer.decision.picks import refuted
from explorer.inputs.study import load
from explorer.store.keys import ids_of, path_of
from explorer.store.results import Store


def test_the_order_is_that_of_the_van_der_corput_sequence() -> None:
    """Against SciPy's unscrambled Halton sequence, which is van der Corput's in base 2."""
    places = (qmc.Halton(1, scramble=False).random(64)[:, 0] * 64).round().astype(int)
    np.testing.assert_array_equal(confirmation.coarse_to_fine(np.arange(64)), places)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 7, 100, 129, 1000])
def test_every_row_comes_once_and_every_beginning_is_even(count: int) -> None:
    order = confirmation.coarse_to_fine(np.arange(count) + 5)
    assert sorted(order.tolist()) == list(range(5, count + 5))
    for some in (4, 16, 64):
        if some < count:
            gaps = np.diff(np.sort(order[:some]))
            assert gaps.max() <= 2 * count / some + 1


def test_a_session_refutes_what_delivers_less_than_promised() -> None:
    averaged = np.array([100.0, 100.0, 100.0, 100.0])
    session = np.array([97.5, 96.5, np.nan, 150.0])
    assert refuted(session, averaged).tolist() == [False, True, False, False]


def test_the_agreement_in_numbers_and_words() -> None:
    found = confirmation.agreement(
        10, np.array([100.0, 95.0, 101.0]), np.array([100.0, 100.0, 100.0])
    )
    assert (found["found"], found["judged"], found["upheld"]) == (10, 3, 2)
    assert found["median_apart_percent"] == pytest.approx(1.0)
    assert found["most_lost_percent"] == pytest.approx(5.0)
    assert "10 sampled designs" in confirmation.agreement_sentence(found)
    assert "2 hold" in confirmation.agreement_sentence(found)
    assert (
        confirmation.agreement_sentence(confirmation.agreement(0, np.empty(0), np.empty(0))) == ""
    )
    assert "none was stepped" in confirmation.agreement_sentence(
        confirmation.agreement(3, np.empty(0), np.empty(0))
    )


def test_a_pick_that_its_session_refutes_gives_way_to_one_that_holds(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sessions are made to deliver half of what the best design promises, and all of the others'.

    It stays on the front, which is the averaged model's, but is nobody's pick any more; what was
    sampled between the sweep's points is judged, and told.
    """
    words = small_study.read_text().replace(
        "cadence_rpm = [50, 65]", "cadence_rpm = { low = 45, high = 70, sweep_points = 3 }"
    )
    small_study.write_text(words.replace("evaluations = 2000", "evaluations = 300"))
    refused: set[str] = set()

    def confirm(project, designs, ids, *rest: Any) -> dict[str, dict[str, Any]]:
        energy = confirmation.evaluate(project, designs).delivered_energy_J
        return {
            name: {"session_energy_J": float(e) * (0.5 if name in refused else 1.0), "regime": ""}
            for name, e in zip(ids, energy, strict=True)
        }

    monkeypatch.setattr(confirmation, "confirm", confirm)
    first = launch_study(small_study, workers=1)
    assert first["exact"]
    judged = first["search"]["judged"]
    assert 0 < judged["upheld"] == judged["judged"] == judged["found"]
    best = first["picks"]["most_energy"]
    refused.add(best)
    path_of(load(small_study)).unlink()
    second = launch_study(small_study, workers=1)
    assert best not in second["picks"].values()
    with Store.open(path_of(load(small_study)), read_only=True) as store:
        view = FrontView.at_todays_prices(load(small_study), store)
        energies = view.stored.delivered_energy_J[view.picker.holding()]
        ids = ids_of(view.stored.numbers[view.picker.holding()])
    assert ids[int(energies.argmax())] == best  # it is on the front still
    energy = {record["design_id"]: record["delivered_energy_J"] for record in second["front"]}
    assert energy[second["picks"]["most_energy"]] == np.sort(energies)[-2]
    # A review computes nothing, and keeps to the same verdicts.
    assert review_studies(small_study)["picks"] == second["picks"]
