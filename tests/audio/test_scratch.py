"""Temporary sound on disk: any stretch comes back, and nothing is left after an error."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audio.test_write import cut, disk_of
from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import Scratch, ScratchWriter, recording_of
from morningmix.errors import OutputError
from morningmix.units import Block

RATE_HZ = 8_000


def noise(channels: int, frames: int) -> Block:
    return np.random.default_rng(0).standard_normal((channels, frames)).astype(np.float32)


def written(path: Path, sound: Block, lengths: Sequence[int] = ()) -> Scratch:
    scratch = Scratch(path=path, rate_hz=RATE_HZ, channels=sound.shape[0], frames=sound.shape[1])
    with ScratchWriter(scratch) as writer:
        for block in cut(sound, lengths):
            writer.write(block)
    return scratch


@settings(max_examples=30, deadline=None)
@given(
    channels=st.integers(1, 3),
    lengths=st.lists(st.integers(0, 5_000), max_size=4),
    start=st.integers(-5_000, 25_000),
    frames=st.integers(0, 25_000),
)
def test_any_stretch_can_be_read(
    tmp_path_factory: pytest.TempPathFactory, channels: int, lengths: list[int], start: int, frames: int
) -> None:
    sound = noise(channels, 20_000)
    scratch = written(tmp_path_factory.getbasetemp() / "sound", sound, lengths)
    back = read_stretch(recording_of([scratch]), RATE_HZ, start, start + frames)
    around = np.pad(sound, ((0, 0), (5_000, 50_000)))
    np.testing.assert_array_equal(back, around[:, start + 5_000 : start + 5_000 + frames])


def test_pieces_follow_one_another_from_their_place_in_the_take_on(tmp_path: Path) -> None:
    sound = noise(2, 9_000)
    ends = (0, 4_000, 4_001, 9_000)
    pieces = [written(tmp_path / str(first), sound[:, first:last]) for first, last in pairwise(ends)]
    recording = recording_of(pieces, at_frame=700)
    assert recording.at_frame == 700
    np.testing.assert_array_equal(read_stretch(recording, RATE_HZ, 700, 9_700), sound)
    around = read_stretch(recording, RATE_HZ, 0, 12_000)
    assert not around[:, :700].any()
    assert not around[:, 9_700:].any()
    np.testing.assert_array_equal(around[:, 700:9_700], sound)


def test_a_file_of_before_is_replaced(tmp_path: Path) -> None:
    written(tmp_path / "sound", noise(1, 5_000))
    scratch = written(tmp_path / "sound", np.zeros((1, 10), np.float32))
    assert scratch.path.stat().st_size == 40
    scratch.remove()
    scratch.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_link_in_its_place_is_replaced_and_not_followed(tmp_path: Path) -> None:
    (tmp_path / "hers").write_bytes(b"hers")
    (tmp_path / "sound").symlink_to(tmp_path / "hers")
    written(tmp_path / "sound", noise(1, 10))
    assert (tmp_path / "hers").read_bytes() == b"hers"
    assert not (tmp_path / "sound").is_symlink()


def test_a_full_disk_or_no_folder_is_one_clear_line_and_nothing_is_left(tmp_path: Path) -> None:
    scratch = Scratch(path=tmp_path / "sound", rate_hz=RATE_HZ, channels=2, frames=50_000)
    with disk_of(10_000), pytest.raises(OutputError, match=r"^.*sound cannot be written: [^\n]*\.$"):  # noqa: SIM117
        with ScratchWriter(scratch) as writer:
            writer.write(np.ones((2, 50_000), np.float32))
    assert list(tmp_path.iterdir()) == []
    nowhere = Scratch(path=tmp_path / "no" / "sound", rate_hz=RATE_HZ, channels=1, frames=1)
    with pytest.raises(OutputError, match="sound cannot be written"):
        ScratchWriter(nowhere)


def test_it_is_removed_after_any_error(tmp_path: Path) -> None:
    scratch = Scratch(path=tmp_path / "sound", rate_hz=RATE_HZ, channels=1, frames=100)
    with pytest.raises(KeyboardInterrupt), ScratchWriter(scratch) as writer:  # noqa: PT012
        writer.write(np.ones((1, 50), np.float32))
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("block", [np.zeros((2, 5), np.float32), np.zeros((1, 5), np.float64)])
def test_blocks_of_another_shape_are_refused(tmp_path: Path, block: Block) -> None:
    scratch = Scratch(path=tmp_path / "sound", rate_hz=RATE_HZ, channels=1, frames=5)
    with pytest.raises(ValueError, match="1 channels of float32"), ScratchWriter(scratch) as writer:
        writer.write(block)
