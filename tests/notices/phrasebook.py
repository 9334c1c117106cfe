"""Every message the program can send, at its extremes, about an invented place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

from monitor.ahead.airing_hours import AiringHours
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell, SpellChanges
from monitor.notices.notice import Circumstances, Notice, Part, Said, Weight
from monitor.notices.sentences import foreseen, spells, upkeep
from monitor.notices.spell_rules import Policy, decide
from monitor.science import moist_air
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS, Limits, Site, Space, Use, Window
from monitor.site.time import MINUTE_MS

_ZONE = "Europe/London"
_PRESSURE_PA = 100_000.0
NOW_MS = int(datetime(2026, 7, 14, 13, 30, tzinfo=UTC).timestamp() * 1000)
_NOW_MIN = NOW_MS // MINUTE_MS

_HANGING = Limits(
    hot_c=32, cold_c=5, damp_pct=75, damp_now_pct=85, arid_pct=35, sun_lux=3000, dew_margin_k=3
)
_STORING = Limits(
    hot_c=28,
    cold_c=2,
    damp_pct=60,
    damp_now_pct=65,
    arid_pct=35,
    sun_lux=100,
    dew_margin_k=3,
    damp_is_daily_mean=True,
)
_SHOWING = Limits(hot_c=30, damp_pct=65, arid_pct=35, sun_lux=1500, dew_margin_k=3)

_SPACES = {
    "granary": Space("granary", Use.HANGING, _HANGING),
    "linen cupboard": Space("linen cupboard", Use.STORING, _STORING),
    "the long window over the yard": Space("the long window over the yard", Use.SHOWING, _SHOWING),
    OUTDOORS: Space(OUTDOORS, Use.OUTDOORS),
}
_MANY = tuple(
    f"{n} bunches of {flower}"
    for n, flower in (
        ("six", "statice"),
        ("nine", "larkspur"),
        ("31", "quaking grass"),
        ("two", "sea holly"),
        ("four", "honesty"),
        ("three", "teasel"),
    )
)

_WORST = {
    Kind.HOT: 36.2,
    Kind.COLD: 1.4,
    Kind.DAMP: 91.0,
    Kind.ARID: 24.0,
    Kind.SUNNY: 41_300.0,
    Kind.DEWY: 0.6,
    Kind.MUSTY: 1.24,
    Kind.SILENT: 5.0,
    Kind.STUCK: 8.0,
}


def every_message() -> Iterator[tuple[str, Notice]]:
    """Each message with a name that says what it shows."""
    yield from _of_spells()
    yield from _of_alarms()
    yield from _at_the_edges()
    yield from _of_the_coming_hours()
    yield from _of_the_day()
    yield from _of_troubles()
    yield from _of_batches()


def spelled_out() -> str:
    """All of them as text: the name and weight, the title, the body."""
    return "\n".join(
        f"== {name} [{n.weight}]\n{n.title}\n{n.body}\n" for name, n in every_message()
    )


# --- spells ---------------------------------------------------------------------------------


def _site(unit: str) -> Site:
    return Site("Fernhollow", 52.1, -3.4, 210, _ZONE, unit, _SPACES, {})


def _air(space: str, temperature_c: float, humidity_pct: float, lux: float) -> MinuteOfAir:
    made = moist_air.state(temperature_c, humidity_pct, _PRESSURE_PA)
    return MinuteOfAir(
        minute=_NOW_MIN,
        space=space,
        temperature_c=temperature_c,
        relative_humidity_pct=humidity_pct,
        illuminance_lx=lux,
        dew_point_c=made.dew_point_c,
        vpd_kpa=made.vpd_kpa,
        humidity_ratio_g_kg=made.humidity_ratio_g_kg,
        absolute_humidity_g_m3=made.absolute_humidity_g_m3,
        surface_margin_k=None,
        readings=2,
    )


# The air in which each kind of spell is told of: temperature, humidity, light.
_INDOORS = {
    Kind.HOT: (33.4, 46.0, 400.0),
    Kind.COLD: (3.2, 70.0, 400.0),
    Kind.DAMP: (19.1, 88.0, 400.0),
    Kind.ARID: (24.0, 29.0, 400.0),
    Kind.SUNNY: (24.0, 52.0, 21_400.0),
    Kind.DEWY: (12.0, 93.0, 5.0),
    Kind.MUSTY: (17.0, 88.0, 5.0),
}
_DRY_OUTDOORS, _WET_OUTDOORS = (16.0, 45.0, 30_000.0), (17.0, 96.0, 8_000.0)


def _circumstances(
    kind: Kind,
    outdoors: tuple[float, float, float] | None,
    batches: tuple[str, ...] = _MANY[:1],
    unit: str = "°C",
) -> Circumstances:
    air = {}
    if kind in _INDOORS:
        air = {name: _air(name, *_INDOORS[kind]) for name in _SPACES if name != OUTDOORS}
    if outdoors is not None:
        air[OUTDOORS] = _air(OUTDOORS, *outdoors)
    return Circumstances(_site(unit), _PRESSURE_PA, dict.fromkeys(_SPACES, batches), air)


def _spell(kind: Kind, space: str | None = "granary", urgent: bool = False) -> Spell:
    sensor = f"{space}-rail" if kind in (Kind.SILENT, Kind.STUCK) and space is not None else None
    began = _NOW_MIN - 45
    return Spell(kind, space, sensor, began, began + 20, None, _WORST[kind], urgent)


def _said(
    part: Part, spell: Spell, circumstances: Circumstances, weight: Weight = Weight.NOW
) -> Notice:
    return spells.notice(spell, part, weight, circumstances, NOW_MS)


def _decided(spell: Spell, circumstances: Circumstances) -> Notice:
    changes = SpellChanges((spell,), (), (), (), ())
    return decide(changes, Said(), Policy(), circumstances, NOW_MS)[0]


def _of_spells() -> Iterator[tuple[str, Notice]]:
    for kind in Kind:
        for space, known in _SPACES.items():
            if known.use is Use.OUTDOORS or (kind is Kind.COLD and known.use is Use.SHOWING):
                continue
            spell = _spell(kind, space)
            around = _circumstances(kind, _WET_OUTDOORS)
            yield f"{kind}, {known.use}, began", _decided(spell, around)
        spell, around = _spell(kind), _circumstances(kind, _WET_OUTDOORS)
        over = spell._replace(ended=_NOW_MIN - 5, began=_NOW_MIN - 265)
        if kind is not Kind.COLD:
            yield f"{kind}, reminder", _said(Part.REMINDER, spell, around)
        yield f"{kind}, ended", _said(Part.ENDED, over, around, Weight.SOON)
        yield f"{kind}, over when first known", _decided(over, around)
        yield f"{kind}, taken back", _said(Part.TAKEN_BACK, spell, around, Weight.SOON)
    for kind in (Kind.SILENT, Kind.STUCK):
        feed, around = _spell(kind, None), _circumstances(kind, None)
        over = feed._replace(ended=_NOW_MIN)
        yield f"{kind}, all sensors, began", _decided(feed, around)
        yield f"{kind}, all sensors, reminder", _said(Part.REMINDER, feed, around)
        yield f"{kind}, all sensors, ended", _said(Part.ENDED, over, around, Weight.SOON)
    for space in ("granary", "linen cupboard"):
        very = _spell(Kind.DAMP, space, urgent=True)
        for name, outdoors in (("dry", _DRY_OUTDOORS), ("wet", _WET_OUTDOORS), ("no", None)):
            around = _circumstances(Kind.DAMP, outdoors)
            yield f"damp, urgent, {space}, {name} outdoors", _said(Part.WORSE, very, around)


def _of_alarms() -> Iterator[tuple[str, Notice]]:
    """What comes and goes, and what is in many places at once."""
    for kind in (Kind.HOT, Kind.DAMP, Kind.ARID, Kind.MUSTY, Kind.SILENT):
        spell, around = _spell(kind), _circumstances(kind, None)
        told = spells.notice(spell, Part.BEGAN, Weight.NOW, around, NOW_MS, times=5)
        yield f"{kind}, comes and goes", told
    for kind in (Kind.HOT, Kind.DAMP, Kind.ARID, Kind.DEWY, Kind.SILENT, Kind.STUCK):
        each = [_spell(kind, space) for space in _SPACES if space != OUTDOORS]
        one = _spell(kind, None)
        for part in (Part.BEGAN, Part.REMINDER, Part.ENDED):
            around = _circumstances(kind, None)
            told = spells.of_many(one, each, part, Weight.NOW, around, NOW_MS)
            yield f"{kind}, in many places, {part}", told


def _at_the_edges() -> Iterator[tuple[str, Notice]]:
    """No, one and many batches; dry, wet and unknown outdoors; both units; a value not known."""
    for kind in (Kind.HOT, Kind.COLD, Kind.DAMP, Kind.DEWY):
        spell = _spell(kind)
        for name, outdoors in (("dry", _DRY_OUTDOORS), ("no", None)):
            yield f"{kind}, {name} outdoors", _decided(spell, _circumstances(kind, outdoors))
        for batches in ((), _MANY):
            name = "many batches" if batches else "no batch"
            yield f"{kind}, {name}", _decided(spell, _circumstances(kind, None, batches))
        in_f = _circumstances(kind, _DRY_OUTDOORS, unit="°F")
        yield f"{kind}, °F", _decided(spell, in_f)
        over = spell._replace(ended=_NOW_MIN, began=_NOW_MIN - 3 * 1440)
        yield f"{kind}, °F, ended after days", _said(Part.ENDED, over, in_f, Weight.SOON)
        unknown = Circumstances(_site("°C"), _PRESSURE_PA)
        yield f"{kind}, no air known", _decided(spell, unknown)
    dark = _circumstances(Kind.HOT, None)
    dark = Circumstances(
        dark.site, _PRESSURE_PA, dark.at_risk, {"granary": _air("granary", 33.4, 46.0, 0.0)}
    )
    yield "hot, in the dark", _decided(_spell(Kind.HOT), dark)
    pane = Window("gable window", 200, 1.5, 2.0, 0.2, 0.8)
    sunlit = dict(_SPACES) | {"granary": replace(_SPACES["granary"], windows=(pane,))}
    through = _circumstances(Kind.SUNNY, None)
    through = replace(through, site=replace(through.site, spaces=sunlit))
    yield "sunny, its windows known", _decided(_spell(Kind.SUNNY), through)
    wet = _spell(Kind.DEWY)._replace(worst=-0.4)
    yield "dewy, water settled", _decided(wet, _circumstances(Kind.DEWY, None))
    gone = _spell(Kind.HOT, "a space that the settings no longer have")
    yield "hot, space gone from the settings", _decided(gone, _circumstances(Kind.HOT, None))


def _of_the_coming_hours() -> Iterator[tuple[str, Notice]]:
    begins, ends = _NOW_MIN + 125, _NOW_MIN + 370
    airing = AiringHours(_NOW_MIN + 30, _NOW_MIN + 120, 0.93, 0.4)
    for kind in (Kind.HOT, Kind.DAMP, Kind.DEWY):
        for space, known in _SPACES.items():
            if known.use is Use.OUTDOORS:
                continue
            around = _circumstances(kind, None)
            airings = (((), ""), ((airing,), ", airing first"))
            for best, told in airings[: 1 if kind is Kind.HOT else 2]:
                name = f"{kind}, {known.use}, coming{told}"
                notice = foreseen.coming(space, kind, 0.78, begins, ends, best, around, NOW_MS)
                yield name, notice
            name = f"{kind}, {known.use}, not coming"
            yield name, foreseen.not_coming(space, kind, 0.07, begins, around, NOW_MS)
        in_f = _circumstances(kind, None, (), unit="°F")
        later = begins + 11 * 60
        yield (
            f"{kind}, °F, coming for long",
            foreseen.coming("granary", kind, 0.99, later, None, (), in_f, NOW_MS),
        )


# --- the rest -------------------------------------------------------------------------------


def _of_the_day() -> Iterator[tuple[str, Notice]]:
    calm = _circumstances(Kind.ARID, _DRY_OUTDOORS)
    hot, silent = _spell(Kind.HOT), _spell(Kind.SILENT, "linen cupboard")
    yield "all well", upkeep.all_well([], calm, NOW_MS)
    yield "all well, °F", upkeep.all_well([], _circumstances(Kind.HOT, None, (), "°F"), NOW_MS)
    yield "all well, cold only", upkeep.all_well([_spell(Kind.COLD)], calm, NOW_MS)
    unknown = Circumstances(_site("°C"), _PRESSURE_PA)
    yield "not all well, nothing measured", upkeep.all_well([], unknown, NOW_MS)
    yield "not all well, one", upkeep.all_well([hot], calm, NOW_MS)
    yield "not all well, two", upkeep.all_well([hot, silent], calm, NOW_MS)
    two = replace(calm, disagreeing={"granary": ("granary-beam", "granary-rail")})
    yield "not all well, two sensors disagree", upkeep.all_well([], two, NOW_MS)
    one = replace(calm, disagreeing={"granary": ("granary-beam",)})
    yield "not all well, one sensor disagrees", upkeep.all_well([hot], one, NOW_MS)
    note = _decided(_spell(Kind.COLD), calm)
    for number in (1, 3, 40):
        said = Said().with_notices([note] * min(number, 3))
        sheds = [note._replace(space=f"shed {n}", title=f"Shed {n}: cold, 4 °C") for n in range(37)]
        said = said.with_notices(sheds if number == 40 else [])
        told = upkeep.digest(said.rows, "Fernhollow", NOW_MS)
        if told is not None:
            yield f"digest of {number}", told
    text = "Granary: 152 h inside its limits, 16 h outside.\nTwo batches taken down, both good."
    yield "report", upkeep.report_ready("2026-W29", text, NOW_MS)
    yield "trial", upkeep.trial_message("Fernhollow", NOW_MS)


def _of_troubles() -> Iterator[tuple[str, Notice]]:
    hour_ago, yesterday = NOW_MS - 60 * MINUTE_MS, NOW_MS - 1440 * MINUTE_MS
    yield "broker missing", upkeep.broker_missing(hour_ago, _ZONE, NOW_MS)
    yield "broker missing for a day", upkeep.broker_missing(yesterday, _ZONE, NOW_MS)
    yield "broker back", upkeep.broker_back(hour_ago, _ZONE, NOW_MS)
    yield "disk full", upkeep.disk_full(NOW_MS)
    yield "store damaged", upkeep.store_damaged(NOW_MS)
    yield "disk cannot be written", upkeep.store_failing("the disk reports a fault", NOW_MS)
    yield "flooded", upkeep.flooded("granary-rail", NOW_MS)
    told = ("granary-rail", "granary-door", "loft-north-rail", "loft-south-rail", "wash-house")
    yield (
        "several unread",
        upkeep.sensors_unread(told, 2400, hour_ago, "the message is no text", _ZONE, NOW_MS),
    )
    yield "store trouble", upkeep.store_trouble("the disk is read-only", NOW_MS)
    yield "clock not known", upkeep.clock_not_known(NOW_MS)
    yield "clock set", upkeep.clock_set(365 * 86_400_000, NOW_MS)
    job = "the nightly backup"
    yield "job missed", upkeep.job_missed(job, hour_ago, _ZONE, NOW_MS)
    yield "job failed", upkeep.job_failed(job, "the second disk is not there", NOW_MS)
    for payloads in (1, 2400):
        yield (
            f"unread, {payloads}",
            upkeep.payloads_unread(
                "granary-rail",
                "granary",
                payloads,
                hour_ago,
                "there is no number at /t",
                _ZONE,
                NOW_MS,
            ),
        )


def _of_batches() -> Iterator[tuple[str, Notice]]:
    day_ms = 1440 * MINUTE_MS
    for batch, space in (
        ("statice-3", "granary"),
        ("larkspur from the lower field", "the long window over the yard"),
    ):
        yield (
            f"crisp soon, {batch}",
            foreseen.crisp_soon(batch, space, NOW_MS + day_ms, NOW_MS + 3 * day_ms, _ZONE, NOW_MS),
        )
        yield f"try the snap test, {batch}", foreseen.try_snap(batch, space, 0.83, NOW_MS)
        yield (
            f"stalled, {batch}",
            foreseen.stalled(batch, space, 18.4, NOW_MS - 3 * day_ms, _ZONE, NOW_MS),
        )
        yield (
            f"dries too slowly, {batch}",
            foreseen.drying_too_slowly(batch, space, 64.0, 150.0, 121.0, NOW_MS),
        )
        for enough in (None, 58.0):
            yield (
                f"cannot finish, {batch}, {'humidity known' if enough else 'humidity unknown'}",
                foreseen.cannot_finish(batch, space, 74.0, enough, NOW_MS),
            )
        for unit in ("°C", "°F"):
            yield (
                f"opening, {batch}, {unit}",
                foreseen.opening_in_heat(batch, space, 33.4, 28.0, unit, NOW_MS),
            )
        for months in (None, 0.3, 1.2, 6.4):
            yield (
                f"light share, {batch}, {months or 'unknown'} months left",
                foreseen.light_share(batch, space, "fade", 62.0, months, NOW_MS),
            )
        for dry in (0.02, 0.44):
            yield (
                f"taken down, {batch}, {dry}",
                foreseen.taken_down_moist(batch, space, dry, NOW_MS),
            )
