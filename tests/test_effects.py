"""How far each part can take each objective: held against a data frame's groups."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from explorer.decision import effects
from explorer.inputs.links import LINKS
from explorer.model.objectives import OBJECTIVES


def test_best_by_part_is_the_least_of_each_group(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    points = rng.normal(size=(200, len(OBJECTIVES)))
    points[rng.random(200) < 0.1, 0] = np.nan
    parts = {link: rng.integers(0, 4, 200) for link in LINKS}
    rows = np.flatnonzero(rng.random(200) < 0.5)
    catalogue = SimpleNamespace(
        parts={link: [SimpleNamespace(id=f"{link}_{k}") for k in range(6)] for link in LINKS}
    )
    stored = SimpleNamespace(objectives=lambda cost: points, designs=SimpleNamespace(parts=parts))
    monkeypatch.setattr(effects, "affordable", lambda *_: np.isin(np.arange(200), rows))
    found = effects.best_by_part(SimpleNamespace(catalogue=catalogue), stored, np.zeros(200))
    for link in LINKS:
        groups = pd.DataFrame(points[rows]).groupby(parts[link][rows]).min()
        assert set(found[link]) == {f"{link}_{part}" for part in groups.index}
        for part, row in groups.iterrows():
            best = found[link][f"{link}_{part}"]
            for column, one in enumerate(OBJECTIVES):
                assert best[one.key] == pytest.approx(one.sign * row[column], nan_ok=True)
