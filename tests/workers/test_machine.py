"""As many workers as a machine has cores, and memory for."""

from __future__ import annotations

import pytest

from morningmix.workers.machine import cores_for, memory_bytes


@pytest.mark.parametrize(
    ("cores", "memory_gb", "workers"),
    [(2, 4.0, 2), (8, 64.0, 8), (8, 2.0, 5), (16, 1.0, 2), (4, 0.25, 1), (1, 0.1, 1), (64, 8.0, 25)],
)
def test_half_of_the_memory_is_for_the_run_and_its_workers(cores: int, memory_gb: float, workers: int) -> None:
    notes: list[str] = []
    assert cores_for(cores, memory_gb * 1e9, notes.append) == workers
    assert bool(notes) == (workers < cores)
    for note in notes:
        assert f"{memory_gb:.1f} GB" in note
        assert f"{workers} of its {cores} cores" in note


def test_a_system_that_does_not_say_has_enough() -> None:
    notes: list[str] = []
    assert cores_for(12, None, notes.append) == 12
    assert notes == []


def test_this_machine_has_some_memory_or_does_not_say() -> None:
    assert (memory_bytes() or 1e9) > 1e8
