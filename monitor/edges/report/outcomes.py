"""What was lost when batches were taken down, and what in their air explains it.

A cause is named only where the air, the light or the model shows one; what counts as enough is our
own choice. Over a season the losses are only counted, never tested: gardens have too few batches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.drying.prospects import NOT_DRY_BELOW, colour_left, opening_of
from monitor.drying.standing import StandingBatch, Standings
from monitor.edges.report.batches import path_of
from monitor.entries.batches import Batch, Outcome
from monitor.site.flowers import Flower
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS, local_day
from monitor.site.words import count, humidity, lasting
from monitor.store.queries import Reader

# In air damper than this mould can start, dryer than this petals turn brittle: the limits of a
# space that states none.
DAMP_PCT, ARID_PCT = 75.0, 35.0
_DAMP_H, _ARID_H, _WARM_H = 24.0, 12.0, 24.0
_LIGHT_SHARE = 0.2
_CRISP_LEFT_PCT = 3.0
# With fewer batches, or fewer on either side, nothing is said of what losses have in common.
ENOUGH_BATCHES, ENOUGH_A_SIDE = 5, 2

LOST: dict[str, str] = {
    "mould": "mould",
    "opened": "opening",
    "faded": "fading",
    "shed": "shedding",
}


@dataclass(frozen=True)
class Conditions:
    """What a batch met from its hanging to its taking down.

    days         on the rail [d]
    load_kpa_h   drying load of the air it hung in, of its known hours [kPa·h]; None: none known
    damp_h       hours over the damp limit of where it hung, by the mean of the hour [h]
    warm_h       hours above where its heads open [h]; None: they do not open further
    opening      little, some or much; None: they do not open further
    light_share  of the light its colour bears [-]
    arid_h       hours in dry air once it was about crisp [h]
    p_crisp      probability that it was crisp when taken down [-]
    damp_pct, arid_pct  the limits that were counted by [%]
    """

    days: float
    load_kpa_h: float | None
    damp_h: float
    warm_h: float | None
    opening: str | None
    light_share: float
    arid_h: float
    p_crisp: float
    damp_pct: float
    arid_pct: float


@dataclass(frozen=True)
class Taken:
    """A batch that was taken down, and what it met; None: nothing is known of its air."""

    batch: Batch
    flower: Flower
    space: str
    met: Conditions | None

    @property
    def outcome(self) -> Outcome:
        """Heads counted."""
        return self.batch.outcome or Outcome()

    @property
    def lost(self) -> int | None:
        """Heads lost to all causes together; None: not counted."""
        counted = [n for n in self.outcome[1:] if n is not None]
        return sum(counted) if counted else None


def taken(
    reader: Reader, standings: Standings, site: Site, batch: Batch, batches: Sequence[Batch]
) -> Taken:
    """What became of a batch that was taken down."""
    down_ms = batch.taken_down_ms or batch.hung_ms
    space = batch.space_at(down_ms - 1) or batch.stays[0].space
    stands = standings.standing(batch, batches, down_ms // HOUR_MS)
    met = None
    if stands is not None and stands.ensemble.hour > stands.ensemble.hung.hour:
        met = _conditions(reader, site, batch, space, stands)
    return Taken(batch, standings.flower(batch), space, met)


def _conditions(
    reader: Reader, site: Site, batch: Batch, space: str, stands: StandingBatch
) -> Conditions:
    flower, ensemble, air, light_lx_h = stands
    known = air.known > 0
    limits = site.spaces[space].limits if space in site.spaces else None
    damp_pct = (limits and limits.damp_pct) or DAMP_PCT
    arid_pct = (limits and (limits.arid_pct or limits.arid_once_crisp_pct)) or ARID_PCT
    left = np.median(ensemble.members.still_to_lose(path_of(stands)), axis=1)[1:]
    crisp = left[-len(air) :] <= _CRISP_LEFT_PCT
    opens = flower.opening_above_c
    colour = colour_left(flower, batch.colour, float(light_lx_h.sum()), 0.0)
    return Conditions(
        days=((batch.taken_down_ms or 0) - batch.hung_ms) / DAY_MS,
        load_kpa_h=_load(reader, batch),
        damp_h=float((known & (air.humidity_pct > damp_pct)).sum()),
        warm_h=None if opens is None else float((known & (air.temperature_c > opens)).sum()),
        opening=opening_of(ensemble),
        light_share=colour.share_used,
        arid_h=float((known & (air.humidity_pct < arid_pct) & crisp).sum()),
        p_crisp=float((ensemble.moisture_pct_db <= ensemble.members.target).mean()),
        damp_pct=damp_pct,
        arid_pct=arid_pct,
    )


# -- causes ----------------------------------------------------------------------------------------


def cause(one: Taken, what: str) -> str:
    """The likeliest cause of one kind of loss, in words; "" where nothing known explains it."""
    return "" if one.met is None else _CAUSE[what](one, one.met)


def _of_mould(one: Taken, met: Conditions) -> str:
    if met.damp_h >= _DAMP_H:
        return f"it hung above {humidity(met.damp_pct)} for {lasting(60 * met.damp_h)}"
    if met.p_crisp < NOT_DRY_BELOW:
        return f"it was likely not dry when taken down ({round(10 * met.p_crisp)} in 10)"
    if met.days > one.flower.days_hanging[1]:
        usual = f"{one.flower.days_hanging[0]:g} to {one.flower.days_hanging[1]:g}"
        return f"it dried slowly: {round(met.days)} days, where {usual} are usual"
    return ""


def _of_opening(one: Taken, met: Conditions) -> str:
    if met.warm_h is None or met.opening in (None, "little") or met.warm_h < _WARM_H:
        return ""
    return f"it hung for {lasting(60 * met.warm_h)} in air that opens its heads"


def _of_fading(one: Taken, met: Conditions) -> str:
    if met.light_share < _LIGHT_SHARE:
        return ""
    return f"it had {100 * met.light_share:.0f} % of the light its colour bears"


def _of_shedding(one: Taken, met: Conditions) -> str:
    if met.arid_h < _ARID_H:
        return ""
    return f"crisp already, it hung under {humidity(met.arid_pct)} for {lasting(60 * met.arid_h)}"


_CAUSE: dict[str, Callable[[Taken, Conditions], str]] = {
    "mould": _of_mould,
    "opened": _of_opening,
    "faded": _of_fading,
    "shed": _of_shedding,
}
_SHARED: dict[str, tuple[str, Callable[[Conditions], bool]]] = {
    "mould": ("hung over a day above the damp limit", lambda met: met.damp_h >= _DAMP_H),
    "opened": (
        "hung over a day in air that opens their heads",
        lambda met: met.warm_h is not None and met.warm_h >= _WARM_H,
    ),
    "faded": (
        f"had over {100 * _LIGHT_SHARE:.0f} % of the light their colour bears",
        lambda met: met.light_share >= _LIGHT_SHARE,
    ),
    "shed": (
        "hung on in dry air for half a day once crisp",
        lambda met: met.arid_h >= _ARID_H,
    ),
}
_NOTHING_SHOWS = "nothing in its air explains it"


def losses_said(one: Taken) -> list[str]:
    """One sentence for each kind of loss: `Six heads to mould: it hung …`."""
    told = []
    for what, words in LOST.items():
        heads = getattr(one.outcome, what)
        if heads:
            why = cause(one, what) or (_NOTHING_SHOWS if one.met else "its air is not known")
            told.append(f"{count(heads, 'head')} to {words}: {why}")
    return told


def in_common(season: Sequence[Taken]) -> list[str]:
    """What a season's losses have in common, in plain counts."""
    told = []
    for what, words in LOST.items():
        counted = [
            one for one in season if one.met is not None and getattr(one.outcome, what) is not None
        ]
        hurt = [one for one in counted if getattr(one.outcome, what)]
        if not hurt:
            continue
        all_told = count(len(counted), "batch", "batches")
        of = f"{words.capitalize()}: {_some(len(hurt))} of {all_told}"
        told.append(f"{of} lost heads to it{_sides(what, counted)}")
    return told


def _sides(what: str, counted: Sequence[Taken]) -> str:
    condition, holds = _SHARED[what]
    met = [one for one in counted if one.met is not None and holds(one.met)]
    spared = [one for one in counted if one not in met]
    if len(counted) < ENOUGH_BATCHES or min(len(met), len(spared)) < ENOUGH_A_SIDE:
        return "; too few to say what they have in common."
    hurt, hurt_too = (
        sum(bool(getattr(one.outcome, what)) for one in side) for side in (met, spared)
    )
    return (
        f". Of the {_some(len(met))} that {condition}, {_some(hurt)} did; "
        f"of the {_some(len(spared))} that did not, {_some(hurt_too)}."
    )


def _some(number: int) -> str:
    """`none`, `one`, `six`, `31`."""
    return "none" if not number else count(number, "").strip()


def _load(reader: Reader, batch: Batch) -> float | None:
    """∫ VPD dt over the known minutes that it hung [kPa·h]."""
    known = []
    for stay in batch.stays:
        first = -(-stay.from_ms // MINUTE_MS)
        last = min(stay.until_ms or batch.taken_down_ms or 0, batch.taken_down_ms or 0)
        if first < -(-last // MINUTE_MS):
            vpd = reader.air_of(stay.space, first, -(-last // MINUTE_MS), ("vpd_kpa",))["vpd_kpa"]
            known.append(vpd[~np.isnan(vpd)])
    together = np.concatenate(known) if known else np.empty(0)
    return float(together.sum()) / 60 if len(together) else None


LEADS_DAYS = (7, 3)
"""How long before it was crisp a promise is looked up [d]."""
# Weighings, the one when hung among them, that tell by themselves when a batch was crisp.
_TELLING_WEIGHINGS = 3


class Promise(NamedTuple):
    """What was said of a batch so many days before it was crisp; times in UTC epoch minutes.

    by    how it is known when it was crisp: "it snapped", "by its weighings", "taken down"
    held  the day lay between the first and the last that was named
    """

    batch: Batch
    lead_days: int
    asked: int
    p10: int
    p50: int
    p90: int
    crisp: int
    by: str
    held: bool


def promises(
    reader: Reader, standings: Standings, zone: str, batch: Batch, batches: Sequence[Batch]
) -> Iterator[Promise]:
    """What was promised of a batch that was taken down; nothing where no day was named."""
    crisp, by = _when_crisp(standings, batch, batches)
    for lead in LEADS_DAYS:
        asked_ms = crisp * MINUTE_MS - lead * DAY_MS
        said = reader.said_of(batch.hung_by, batch.hung_ms, asked_ms)
        if said is None or said.state != "expected":
            continue
        if said.crisp_p10 is None or said.crisp_p50 is None or said.crisp_p90 is None:
            continue
        first, day, last = (
            local_day(minute * MINUTE_MS, zone)
            for minute in (said.crisp_p10, crisp, said.crisp_p90)
        )
        yield Promise(
            batch,
            lead,
            said.asked_ms // MINUTE_MS,
            said.crisp_p10,
            said.crisp_p50,
            said.crisp_p90,
            crisp,
            by,
            first <= day <= last,
        )


def _when_crisp(standings: Standings, batch: Batch, batches: Sequence[Batch]) -> tuple[int, str]:
    """The minute in which it was crisp, as far as it is known, and by what."""
    snapped = [test.at_ms for test in batch.snap_tests if test.snaps]
    if snapped:
        return snapped[0] // MINUTE_MS, "it snapped"
    down_ms = batch.taken_down_ms or batch.hung_ms
    weighed = len(batch.weighings) + (batch.fresh_mass_g is not None)
    if weighed >= _TELLING_WEIGHINGS:
        stands = standings.standing(batch, batches, down_ms // HOUR_MS)
        hours = np.empty(0) if stands is None else stands.ensemble.crisp_hour
        if np.isfinite(hours).mean() > 0.5:
            return round(60 * float(np.nanmedian(hours))), "by its weighings"
    return down_ms // MINUTE_MS, "taken down"


def held(told: Sequence[Promise]) -> tuple[list[str], int]:
    """How many promises of each lead held, of how many, in words; and the fewest of one lead."""
    leads = [[p.held for p in told if p.lead_days == lead] for lead in LEADS_DAYS]
    counts = [
        f"{lead} days before: {sum(kept)} of {len(kept)}"
        for lead, kept in zip(LEADS_DAYS, leads, strict=True)
        if kept
    ]
    return counts, min((len(kept) for kept in leads if kept), default=0)
