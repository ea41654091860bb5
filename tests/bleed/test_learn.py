"""What is learnt of bleed, and who learns it."""

from __future__ import annotations

import numpy as np
import pytest

from bleed.made import INPUTS, band, write_inputs
from morningmix.bleed.filters import WINDOW_S, slabs
from morningmix.bleed.learn import learn, ranges, total_sources
from morningmix.bleed.spectra import Targets, grid_of
from morningmix.bleed.subtract import Sounds, parts_of
from morningmix.dsp.stft import size_for


@pytest.fixture(scope="module")
def targets(tmp_path_factory: pytest.TempPathFactory) -> Targets:
    sounds = band()
    take = write_inputs(tmp_path_factory.mktemp("band") / "take", {name: sounds[name] for name in INPUTS})
    return Targets(
        sounds=Sounds(take=take, first_frame=0, frames=take.frames),
        subtracts=((2, True), (3, False)),
        references=(0, 1, 2, 3),
        hearing=(2, 3),
    )


def test_all_slabs_are_learnt_once_in_order_in_ranges_of_about_equal_cost(targets: Targets) -> None:
    found = ranges(targets, 600_000)
    everything = slabs(grid_of(targets.sounds).size, targets.sounds.rate_hz)
    assert grid_of(targets.sounds).size == size_for(WINDOW_S, targets.sounds.rate_hz)
    assert tuple(slab for group in found for slab in group) == everything
    costs = [sum(slab.taps**2 for slab in group) for group in found]
    assert len(found) == 3
    assert max(costs) < 2.0 * min(costs)


def test_a_range_is_learnt_alone_as_it_is_with_the_others(targets: Targets) -> None:
    """So what is learnt does not depend on how the bins are shared out."""
    (part,) = parts_of(targets.sounds)
    (everything,) = ranges(targets)
    whole = learn(targets, everything, part.first, part.last)
    for group in ranges(targets, 600_000):
        alone = learn(targets, group, part.first, part.last)
        assert alone.learnt_s == whole.learnt_s
        for place, filters in alone.filters.items():
            scale = np.abs(whole.filters[place]).max()
            np.testing.assert_allclose(filters, whole.filters[place], atol=1e-3 * scale)


def test_only_microphones_that_are_subtracted_from_have_filters(targets: Targets) -> None:
    (part,) = parts_of(targets.sounds)
    learnt = [learn(targets, group, part.first, part.last) for group in ranges(targets, 600_000)]
    assert {row.target for one in learnt for row, _ in one.filters} == {2}
    # The drum is louder in the microphone than the amplifier, and that louder than the other voice.
    sources = total_sources(learnt)[2]
    assert sources[1] > sources[0] > sources[3]
