"""The table of stages: what is written above it, and that nothing else can happen."""

from __future__ import annotations

import pytest

from monitor.engine import catching_up
from monitor.engine.catching_up import NEXT, CatchingUp, Event, Stage


def written() -> dict[tuple[Stage, Event], Stage]:
    """The table in the module's own words."""
    lines = (catching_up.__doc__ or "").splitlines()
    [head] = [n for n, line in enumerate(lines) if line.split()[:1] == ["from"]]
    events = [Event[name] for name in lines[head].split()[1:]]
    table = {}
    for line in lines[head + 1 : head + 1 + len(Stage)]:
        stage, *after = line.split()
        for event, name in zip(events, after, strict=True):
            if name != "-":
                table[Stage[stage], event] = Stage[name]
    return table


def test_the_table_is_the_one_that_is_written_above_it() -> None:
    assert written() == NEXT


@pytest.mark.parametrize("stage", Stage)
@pytest.mark.parametrize("event", Event)
def test_what_cannot_happen_is_an_error(stage: Stage, event: Event) -> None:
    one = CatchingUp(folding=None, lateness=None, live=True)  # type: ignore[arg-type]  # not asked
    one.stage = stage
    if (stage, event) in NEXT:
        one.on(event)
        assert one.stage is NEXT[stage, event]
    else:
        with pytest.raises(ValueError, match=f"{event.name} cannot happen while the fold is"):
            one.on(event)
        assert one.stage is stage


def test_every_stage_can_be_come_to_and_left() -> None:
    assert set(NEXT.values()) == set(Stage) - {Stage.EMPTY}
    assert {stage for stage, _ in NEXT} == set(Stage)
