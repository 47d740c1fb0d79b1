"""Every sentence that claims something keeps its promise, with fewer fleets than the bench draws."""

from __future__ import annotations

import pytest

from tests.simulations.claims import Simulation, simulations


@pytest.mark.long
@pytest.mark.parametrize("simulation", simulations(), ids=lambda each: f"{each.sentence}: {each.case}")
def test_claim_keeps_its_promise(simulation: Simulation) -> None:
    result = simulation.run(simulation.few)
    assert result.within, (
        f"{result.observed:.3f} of {result.said} fleets, not {simulation.low} to {simulation.high}"
    )
