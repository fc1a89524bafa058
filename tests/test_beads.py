"""Grease that training pictures show at the mouth: where it lies, by geometry; nothing rendered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.fixture
def studio(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    monkeypatch.syspath_prepend(SAMPLES)
    from studio import joint, pipe, world

    return SimpleNamespace(joint=joint, pipe=pipe, world=world)


@pytest.mark.parametrize("seed", range(6))
def test_a_bead_lies_round_the_pipe_and_over_the_mouth(studio: SimpleNamespace, seed: int) -> None:
    recipe = studio.world.scene_of(seed, [], "greasy")
    recipe = replace(recipe, dirt=replace(recipe.dirt, grease="black", grease_mm=1.2, bead_mm=0.8, seed=seed))
    axis = studio.pipe.pipe_axis(recipe.pipe)
    points = studio.joint.grease_bead(recipe, axis).points - axis.point
    along = points @ axis.a
    beside = points - along[:, None] * axis.a
    high = np.linalg.norm(beside, axis=1) - axis.radius_mm
    angle = np.arctan2(beside @ axis.v, beside @ axis.u)
    reach = along - axis.mouth_s(angle)
    assert -0.4 * 0.8 - 1e-3 <= reach.min() < 0  # it begins before the mouth, under the lip or over it
    assert 0.5 * 1.2 < reach.max() < 1.3 * 1.2
    assert 0.4 * 0.8 < high.max() < 1.5 * 0.8
    assert high.min() == pytest.approx(-0.05, abs=0.01)  # its edges sink into the pipe


def test_only_the_greasy_world_has_beads(studio: SimpleNamespace) -> None:
    """What the other worlds show can be made again from their seeds."""
    many = {world: sum(studio.world.scene_of(seed, [], world).dirt.bead_mm > 0 for seed in range(60))
            for world in studio.world.WORLDS}
    assert many["train"] == many["test"] == 0
    assert 10 <= many["greasy"] <= 32  # a third of them


def test_doubtful_joints_are_marked_or_not_by_a_coin(studio: SimpleNamespace) -> None:
    """And what lies at the mouth tells nothing of which: rings come as often beside marks as without them."""
    drawn = [studio.world.doubtful(studio.world.scene_of(seed, [], "greasy")) for seed in range(400)]
    marked = [recipe for recipe in drawn if recipe.mark is not None]
    assert len(marked) / len(drawn) == pytest.approx(0.5, abs=0.08)
    near = sum(-1.6 < recipe.mark.gap_mm < 3.1 for recipe in marked) / len(marked)
    assert near > 0.7
    for marks in (True, False):
        some = [recipe for recipe in drawn if (recipe.mark is not None) == marks]
        ringed = sum(any(at < 2.1 for _, at, _ in recipe.decoys) for recipe in some) / len(some)
        assert ringed == pytest.approx(0.5, abs=0.12)
