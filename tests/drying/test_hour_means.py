"""Hours remembered are those that the store would tell anew."""

from __future__ import annotations

import random

import numpy as np

from monitor.drying.hours import HourMeans, KnownHours

FIRST_H, HOURS = 495_000, 60


class Minutes:
    """An archive of invented minutes, some of them unknown, that counts how many were read."""

    def __init__(self) -> None:
        chance = random.Random(5)
        self.c = {m: chance.uniform(10, 30) for m in self.all() if chance.random() < 0.8}
        for hour in (FIRST_H + 7, FIRST_H + 8):  # of these hours nothing is known
            for minute in range(hour * 60, hour * 60 + 60):
                self.c.pop(minute, None)
        self.read = 0

    @staticmethod
    def all() -> range:
        return range(FIRST_H * 60, (FIRST_H + HOURS) * 60)

    def change_from(self, minute: int) -> None:
        self.c = {m: c + 1 if m >= minute else c for m, c in self.c.items()}

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        assert space == "shed"
        self.read += max(end - begin, 0)
        found: dict[int, list[float]] = {}
        for minute in range(begin, end):
            if minute in self.c:
                found.setdefault(minute // 60, []).append(self.c[minute])
        means = np.array([sum(c) / len(c) for c in found.values()])
        counts = np.array([len(c) for c in found.values()], np.int64)
        hours = np.array(list(found), np.int64)
        return HourMeans(hours, means, np.full(len(found), 50.0), counts, np.zeros(len(found)))


def same(one: HourMeans, other: HourMeans) -> bool:
    return all(a.dtype == b.dtype and np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_whatever_is_asked_in_whatever_order_and_however_it_changes() -> None:
    minutes, chance = Minutes(), random.Random(9)
    known = KnownHours(minutes)
    for _ in range(300):
        begin, end = sorted(chance.sample(Minutes.all(), 2))
        if chance.random() < 0.2:
            changed = chance.choice(Minutes.all())
            minutes.change_from(changed)
            known.forget_since(changed)
        elif chance.random() < 0.3:
            next(known.read("shed", begin, end), None)
        assert same(known.means("shed", begin, end), KnownHours(minutes).means("shed", begin, end))


def test_a_whole_hour_is_read_once() -> None:
    minutes = Minutes()
    known = KnownHours(minutes)
    begin, end = FIRST_H * 60, (FIRST_H + HOURS) * 60
    assert len(known.means("shed", begin, end).hour) == HOURS - 2
    assert minutes.read == end - begin
    known.means("shed", begin + 60, end - 60)
    assert minutes.read == end - begin
    known.means("shed", begin + 60, end - 55)
    assert minutes.read == end - begin + 5
