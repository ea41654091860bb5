"""Which files a rendering writes: names that differ for any file system, in the wanted format."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written

from morningmix.errors import OutputError
from morningmix.render.output import Bits, FileFormat, Output, file_names
from morningmix.storage.home import safe_name


def test_names_that_clash_are_numbered_from_the_second_on() -> None:
    assert file_names(["kick/in", "snare", "kick:in", "Kick-IN?"]) == ("kick-in", "snare", "kick-in 2", "Kick-IN 3")
    assert file_names([]) == ()


def test_a_number_that_another_title_has_is_left_to_it() -> None:
    assert file_names(["kick", "kick", "kick 2"]) == ("kick", "kick 3", "kick 2")


def test_names_that_only_look_different_are_numbered() -> None:
    """Case, composed and decomposed letters, full-width letters, and signs without a width."""
    names = file_names(["Ab\u00e9", "aBe\u0301", "\uff21b\u00e9", "A\u200db\u00e9"])
    assert len({name[-1] for name in names[1:]}) == 3
    assert [name[-2:] for name in names[1:]] == [" 2", " 3", " 4"]


def test_long_names_that_clash_stay_within_what_is_allowed() -> None:
    names = file_names(["a" * 200] * 11)
    assert len(set(names)) == 11
    assert all(safe_name(name) == name for name in names)
    assert names[0] == safe_name("a" * 200)
    assert names[10].endswith("a 11")
    assert len(names[10]) == len(names[0])


@pytest.mark.parametrize(
    ("bits", "file_format", "subtype"), [(16, "wav", "PCM_16"), (24, "wav", "PCM_24"), (16, "flac", "PCM_16")]
)
def test_a_file_has_the_wanted_format_in_a_folder_that_is_made(
    tmp_path: Path, bits: Bits, file_format: FileFormat, subtype: str
) -> None:
    output = Output(folder=tmp_path / "song" / "stems", bits=bits, file_format=file_format)
    with output.writer("drums/all", 44_100, 2, 100) as writer:
        writer.write(np.ones((2, 100), np.int32))
    about = soundfile.info(output.path("drums/all"))
    assert output.path("drums/all").name == f"drums-all.{file_format}"
    assert (about.subtype, about.samplerate, about.channels, about.frames) == (subtype, 44_100, 2, 100)


def test_24_bits_are_usual(tmp_path: Path) -> None:
    with Output(folder=tmp_path).writer("mix", 48_000, 2, 10) as writer:
        writer.write(np.ones((2, 10), np.int32))
    assert soundfile.info(tmp_path / "mix.wav").subtype == "PCM_24"


def test_a_folder_that_cannot_be_made_is_named_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "stems").write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises(OutputError, match="stems could not be written"):
        Output(folder=tmp_path / "stems").writer("drums", rate_hz=48000, channels=2, frames=480)
