"""What a person should know of a take: what went wrong at the desk, in words, worst first."""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.facts import Finding, Input, Take

TOO_QUIET_DBFS = -30.0
"""An input that never peaks above this looks like a microphone in a line input (common practice, no source)."""


def find_faults(inputs: Sequence[Input], take: Take) -> tuple[Finding, ...]:
    """Findings, worst first."""
    found = [finding for one in inputs for finding in _of_input(one)]
    for recording, one in zip(take.recordings, inputs, strict=True):
        found += [
            Finding(name=one.name, kind="damaged", says=f"{one.name}: {says}", weight=80.0) for says in recording.damage
        ]
    found += [Finding(name="", kind="left out", says=says, weight=70.0) for says in take.left_out]
    return tuple(sorted(found, key=lambda finding: -finding.weight))


def _of_input(one: Input) -> list[Finding]:
    facts = one.facts
    if facts.silent:
        return [Finding(name=one.name, kind="silent", says=f"{one.name} recorded nothing", weight=60.0)]
    found = []
    if facts.clipped_runs:
        times = "once" if facts.clipped_runs == 1 else f"{facts.clipped_runs} times"
        found.append(
            Finding(
                name=one.name,
                kind="clipped",
                says=f"{one.name} hit full scale {times}: turn it down about 6 dB, or switch its pad on",
                weight=50.0 + min(facts.clipped_runs, 400) / 10.0,
            )
        )
    if facts.peak_dbfs < TOO_QUIET_DBFS:
        found.append(
            Finding(
                name=one.name,
                kind="quiet",
                says=f"{one.name} peaks at {facts.peak_dbfs:.0f} dBFS, which is very quiet: "
                "turn it up, or give it a DI box or preamp",
                weight=40.0,
            )
        )
    return found
