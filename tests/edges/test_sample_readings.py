"""The sample readings can be made again line by line and hold what they say they hold.

The happenings are worked out here from the payloads alone, by the settings file, plain TOML and
pandas; nothing of the monitor is used.
"""

from __future__ import annotations

import gzip
import shlex
from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pytest

from sample_readings.make_samples import (
    BROKEN,
    DOUBLED,
    load_sensors,
    write_load,
    write_nine_days,
)
from sample_readings.rooms import BATCHES
from sample_readings.scenario import (
    HAPPENINGS,
    KNOCK,
    LATE_LOG,
    LATE_LOG_SENT,
    SATURATED,
    SILENT,
    SPIKE,
    START,
    STUCK,
    Happening,
)
from sample_readings.sensors import SENSORS
from tests.air.oracle import minutes_of_air, saturation_pa
from tests.edges import thornlaw

UNREADABLE = (ValueError, KeyError, IndexError, TypeError)
MINUTES = 9 * 1440


class Heard(NamedTuple):
    """sent: every message; readings: a row each; unread: messages that cannot be read."""

    sent: list[thornlaw.Sent]
    readings: pd.DataFrame
    unread: list[thornlaw.Sent]


@pytest.fixture(scope="module")
def heard() -> Heard:
    sensors = {s["topic"]: s for s in thornlaw.settings()["sensor"]}
    sent, rows, unread = list(thornlaw.sent()), [], []
    for message in sent:
        try:
            read = thornlaw.read(message, sensors[message.topic])
            rows += [(message.at_ms, *row) for row in read]
        except UNREADABLE:
            unread.append(message)
    columns = ["at_ms", "time_ms", "sensor", "quantity", "value"]
    return Heard(sent, pd.DataFrame(rows, columns=columns), unread)


@pytest.fixture(scope="module")
def air(heard: Heard) -> pd.DataFrame:
    """The air of every minute, without the frozen values and the spike, sun counted out."""
    readings = heard.readings
    bad = of(readings, STUCK.sensor) & within(readings, STUCK)
    bad |= of(readings, SPIKE.sensor, "temperature") & within(readings, SPIKE)
    bright = of(readings, "loft-rail", "illuminance") & (readings["value"] > 3000)
    in_the_sun = {("loft-rail", int(ms) // 60_000) for ms in readings.loc[bright, "time_ms"]}
    good = readings[~bad][["time_ms", "sensor", "quantity", "value"]]
    spots = thornlaw.spots(thornlaw.settings())
    return minutes_of_air(good.itertuples(index=False), spots, in_the_sun)


def of(readings: pd.DataFrame, sensor: str | None, quantity: str | None = None) -> pd.Series:
    chosen = readings["sensor"] == sensor
    return chosen if quantity is None else chosen & (readings["quantity"] == quantity)


def within(readings: pd.DataFrame, happening: Happening) -> pd.Series:
    begins, ends = happening.begins.timestamp() * 1000, happening.ends.timestamp() * 1000
    return (readings["time_ms"] >= begins) & (readings["time_ms"] < ends)


def runs(minutes: pd.Series, bridged: int) -> list[tuple[int, int]]:
    """(first minute, minute after the last) of each run; gaps up to `bridged` do not end it."""
    known = minutes.to_numpy()
    if len(known) == 0:
        return []
    cuts = np.flatnonzero(np.diff(known) > 1 + bridged)
    firsts, lasts = known[np.r_[0, cuts + 1]], known[np.r_[cuts, len(known) - 1]]
    return [(int(a), int(b) + 1) for a, b in zip(firsts, lasts, strict=True)]


def lines(file: Path) -> bytes:
    return gzip.decompress(file.read_bytes())


def test_making_them_again_gives_the_same_lines(tmp_path: Path) -> None:
    # The lines, not the packed bytes, are compared with the committed file: another zlib may
    # pack the same lines otherwise. On one machine the packed bytes are the same, too.
    write_nine_days(tmp_path)
    name = "nine_days.jsonl.gz"
    assert lines(tmp_path / name) == lines(thornlaw.FOLDER / name)
    again = tmp_path / "again"
    again.mkdir()
    write_nine_days(again)
    assert (tmp_path / name).read_bytes() == (again / name).read_bytes()
    entries = "nine_days.entries"
    assert (tmp_path / entries).read_text() == (thornlaw.FOLDER / entries).read_text()


def test_the_packed_file_stays_small() -> None:
    assert (thornlaw.FOLDER / "nine_days.jsonl.gz").stat().st_size < 1_600_000


def test_messages_are_counted_and_in_order_of_sending(heard: Heard) -> None:
    silent = round((SILENT.ends - SILENT.begins).total_seconds() / 60)
    expected = 6 * MINUTES + MINUTES // 10 - silent + len(BROKEN) + DOUBLED
    assert len(heard.sent) == expected
    at = [m.at_ms for m in heard.sent]
    assert at == sorted(at)
    assert at[0] >= START.timestamp() * 1000
    assert (heard.readings["time_ms"] <= heard.readings["at_ms"]).all()


def test_every_sensor_is_in_the_settings_as_it_is_made() -> None:
    settings = thornlaw.settings()
    said = {(s["name"], s["space"], s["topic"], s["every"]) for s in settings["sensor"]}
    assert said == {(s.name, s.space, s.topic, f"{s.every_s} s") for s in SENSORS}
    reads = {s["name"]: set(s["reads"]) for s in settings["sensor"]}
    assert reads == {s.name: {quantity for quantity, _ in s.reads} for s in SENSORS}
    spaces = {s["name"] for s in settings["space"]} | {"outdoors"}
    assert {s.space for s in SENSORS} == spaces


def test_the_broken_payloads_are_broken_and_no_others(heard: Heard) -> None:
    assert Counter((m.topic, m.payload) for m in heard.unread) == Counter(
        (topic, payload) for _, topic, payload in BROKEN
    )
    assert len({kind for kind, _, _ in BROKEN}) == len(BROKEN) >= 20


def test_a_few_messages_came_twice(heard: Heard) -> None:
    again = Counter((m.topic, m.payload) for m in heard.sent)
    assert sum(n - 1 for n in again.values()) == DOUBLED
    key = ["time_ms", "sensor", "quantity"]
    assert (heard.readings.groupby(key)["value"].nunique() == 1).all()


LIMITS = {
    ("hot", "loft"): ("temperature_c", 32.0),
    ("hot", "box room"): ("temperature_c", 28.0),
    ("damp", "wash house"): ("relative_humidity_pct", 75.0),
    ("very damp", "wash house"): ("relative_humidity_pct", 85.0),
    ("sunny", "loft"): ("illuminance_lx", 3000.0),
    ("sunny", "box room"): ("illuminance_lx", 100.0),
}


@pytest.mark.parametrize(("kind", "space"), LIMITS)
def test_limits_are_passed_when_it_says_and_at_no_other_time(
    kind: str, space: str, air: pd.DataFrame
) -> None:
    column, limit = LIMITS[kind, space]
    here = air[air["space"] == space]
    found = runs(here.loc[here[column] > limit, "minute"], bridged=10)
    said = [h for h in HAPPENINGS if (h.kind, h.space) == (kind, space)]
    assert len(found) == len(said)
    for (first, end), happening in zip(found, said, strict=True):
        assert abs(first - happening.begins.timestamp() / 60) <= happening.slack + 1
        assert abs(end - happening.ends.timestamp() / 60) <= happening.slack + 1


def test_the_wall_is_near_the_dew_point_when_it_says(heard: Heard, air: pd.DataFrame) -> None:
    readings = heard.readings
    wall = readings[of(readings, "wash-house-rail", "surface_temperature")]
    wall = wall.assign(minute=wall["time_ms"] // 60_000).drop_duplicates("minute")
    here = air[air["space"] == "wash house"].merge(wall, on="minute")
    # Nearer than 1 K: the air's vapour pressure is more than a surface 1 K colder could bear.
    near = here["vapour_pressure_pa"] > saturation_pa(here["value"] - 1)
    (said,) = [h for h in HAPPENINGS if h.kind == "dewy"]
    ((first, end),) = [r for r in runs(here.loc[near, "minute"], bridged=30) if r[1] - r[0] > 30]
    assert abs(first - said.begins.timestamp() / 60) <= said.slack
    assert abs(end - said.ends.timestamp() / 60) <= said.slack


def test_the_scenario_has_the_weather_it_was_asked_for(air: pd.DataFrame) -> None:
    loft = air[air["space"] == "loft"]
    assert 36.5 <= loft["temperature_c"].max() <= 37.9
    (damp,) = [h for h in HAPPENINGS if h.kind == "damp"]
    (very,) = [h for h in HAPPENINGS if h.kind == "very damp"]
    assert (damp.ends - damp.begins).total_seconds() > 24 * 3600
    assert 13 <= (very.ends - very.begins).total_seconds() / 3600 < 14
    patches = [h for h in HAPPENINGS if (h.kind, h.space) == ("sunny", "loft")]
    assert all(85 <= (p.ends - p.begins).total_seconds() / 60 <= 95 for p in patches)


def test_the_silent_sensor_is_silent(heard: Heard) -> None:
    times = heard.readings.loc[of(heard.readings, SILENT.sensor, "humidity"), "time_ms"]
    gaps = np.diff(np.unique(times))
    assert (gaps > 60_000).sum() == 1
    assert 9 <= gaps.max() / 3_600_000 < 9.5
    assert not (of(heard.readings, SILENT.sensor) & within(heard.readings, SILENT)).any()


def test_only_the_stuck_sensor_freezes(heard: Heard) -> None:
    readings = heard.readings[heard.readings["quantity"].isin(["temperature", "humidity"])]
    for sensor, group in readings.groupby("sensor"):
        both = group.drop_duplicates(["time_ms", "quantity"])
        both = both.pivot(index="time_ms", columns="quantity", values="value").sort_index()
        same = (both.diff().abs() < 1e-9).all(axis=1)
        times = both.index.to_series().groupby((~same).cumsum())
        hours = (times.max() - times.min()) / 3_600_000
        if sensor == STUCK.sensor:
            frozen = (STUCK.ends - STUCK.begins).total_seconds() / 3600
            assert hours.max() == pytest.approx(frozen, abs=1 / 30)
            begun = datetime.fromtimestamp(times.min()[hours.idxmax()] / 1000, UTC)
            assert abs((begun - STUCK.begins).total_seconds()) <= 120
            hours = hours.drop(hours.idxmax())
        assert hours.max() < 1


def test_the_late_log_comes_in_the_evening_with_its_own_times(heard: Heard) -> None:
    readings = heard.readings
    late = readings[readings["at_ms"] - readings["time_ms"] > 3_600_000]
    log = readings[of(readings, LATE_LOG.sensor) & within(readings, LATE_LOG)]
    assert set(late.index) == set(log.index)
    assert log["time_ms"].nunique() == 300
    sent_ms = LATE_LOG_SENT.timestamp() * 1000
    assert log["at_ms"].between(sent_ms, sent_ms + 60_000).all()


def test_the_spike_stands_alone(heard: Heard) -> None:
    readings = heard.readings[of(heard.readings, SPIKE.sensor, "temperature")]
    readings = readings.drop_duplicates("time_ms").sort_values("time_ms")
    steps = readings["value"].diff()
    assert (steps.abs() > 3).sum() == 2
    assert within(readings, SPIKE)[steps.idxmax()]


def test_the_outdoor_sensor_is_saturated_in_the_fog_only(heard: Heard) -> None:
    readings = heard.readings
    over = readings[(readings["quantity"] == "humidity") & (readings["value"] > 100)]
    assert set(over["sensor"]) == {SATURATED.sensor}
    assert over["value"].max() < 103
    assert within(over, SATURATED).all()
    assert len(over) > 200


def test_the_bunch_on_the_scale_dries(heard: Heard) -> None:
    readings = heard.readings[of(heard.readings, "loft-scale")].drop_duplicates("time_ms")
    knocked = within(readings, KNOCK)
    grams = readings[~knocked].set_index("time_ms")["value"]
    hung = grams[grams > 20]
    assert hung.iloc[0] > 230
    assert 70 < hung.iloc[-1] < 85  # 246 g at 71 % water: 71 g dry, and what the air keeps in it
    assert (hung.diff().dropna() < 4).all()
    assert readings.loc[knocked, "value"].mean() - hung.asof(hung.index[-1]) > 20


def test_entries_are_whole_commands_in_order_of_time() -> None:
    text = (thornlaw.FOLDER / "nine_days.entries").read_text(encoding="utf-8")
    words = [shlex.split(line) for line in text.splitlines()]
    verbs = Counter(w[0] for w in words)
    assert verbs["hang"] == len(BATCHES) == 5
    assert verbs["weigh"] >= 6
    assert verbs["snap"] >= 2
    assert (verbs["move"], verbs["takedown"]) == (1, 2)
    at = [datetime.fromisoformat(_value(w, "--at")) for w in words]
    assert at == sorted(at)
    assert all(m.tzinfo is None for m in at)  # the site's own time
    names = {_value(w, "--name") for w in words if w[0] == "hang"}
    assert names == {b.name for b in BATCHES}
    assert all(w[1] in names for w in words if w[0] != "hang")
    spaces = {s["name"] for s in thornlaw.settings()["space"]}
    assert all(_value(w, "--space") in spaces for w in words if "--space" in w)


def test_the_weighings_fall_to_what_dry_lavender_weighs() -> None:
    text = (thornlaw.FOLDER / "nine_days.entries").read_text(encoding="utf-8")
    grams = [float(line.split()[2]) for line in text.splitlines() if line.startswith("weigh")]
    assert all(later < earlier + 2 for earlier, later in pairwise(grams))
    dry = 178 * (1 - 0.68)
    assert 1.05 * dry < grams[-1] < 1.18 * dry


def _value(words: list[str], option: str) -> str:
    return words[words.index(option) + 1]


@pytest.mark.parametrize("name", ["run.jsonl", "run.jsonl.gz"])
def test_a_load_run_has_every_message_and_settings_to_read_it(name: str, tmp_path: Path) -> None:
    file = tmp_path / name
    assert write_load(1, 5, 30, file) == 5 * 2880
    raw = file.read_bytes()
    text = (gzip.decompress(raw) if name.endswith(".gz") else raw).decode()
    assert text.count("\n") == 5 * 2880
    if name.endswith(".gz"):
        settings: dict[str, Any] = thornlaw.settings("run.jsonl.toml", tmp_path)
        sensors = {s["topic"]: s for s in settings["sensor"]}
        assert set(sensors) == {s.topic for s in load_sensors(5, 30)}
        sent = list(thornlaw.sent(file))
        assert [m.at_ms for m in sent] == sorted(m.at_ms for m in sent)
        rows = [row for m in sent for row in thornlaw.read(m, sensors[m.topic])]
        assert len({row[:3] for row in rows}) == 2 * 5 * 2880
        assert all(-10 < v < 45 for *_, q, v in rows if q == "temperature")
        assert all(5 < v < 103 for *_, q, v in rows if q == "humidity")
