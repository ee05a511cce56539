"""The demo's machines, solved once for all tests of the kernels."""

from __future__ import annotations

import pytest

from explorer.inputs.study import Project
from tests.model.kernels.chains_of_study import Chains, chains


@pytest.fixture(scope="session")
def demo_chains(demo_project: Project) -> Chains:
    """Forty random designs of the demo, of all regimes."""
    return chains(demo_project, 40, 2)


@pytest.fixture(scope="session")
def warm_chains(demo_project: Project) -> Chains:
    """The same with windings and valves that warm."""
    return chains(demo_project, 40, 2, heat=True)
