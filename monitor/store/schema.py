"""The database's shape, as append-only migrations: a released one is never edited."""

from __future__ import annotations

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE fact (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE sensor (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
    CREATE TABLE space (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
    CREATE TABLE quantity (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;

    CREATE TABLE reading (
        time_ms INTEGER NOT NULL, sensor INTEGER NOT NULL, quantity INTEGER NOT NULL,
        value REAL NOT NULL, flags INTEGER NOT NULL,
        PRIMARY KEY (time_ms, sensor, quantity)
    ) STRICT, WITHOUT ROWID;

    -- Readings days ahead of all others: they wait for a second sensor to confirm the leap.
    CREATE TABLE waiting (
        time_ms INTEGER NOT NULL, sensor INTEGER NOT NULL, quantity INTEGER NOT NULL,
        value REAL NOT NULL, flags INTEGER NOT NULL,
        PRIMARY KEY (time_ms, sensor, quantity)
    ) STRICT, WITHOUT ROWID;

    -- Payloads that could not be read; the newest are kept.
    CREATE TABLE unread (
        id INTEGER PRIMARY KEY, arrived_ms INTEGER NOT NULL, topic TEXT NOT NULL,
        sensor TEXT, payload BLOB NOT NULL, reason TEXT NOT NULL
    ) STRICT;

    CREATE TABLE air (
        minute INTEGER NOT NULL, space INTEGER NOT NULL,
        temperature_c REAL, relative_humidity_pct REAL, illuminance_lx REAL,
        dew_point_c REAL, vpd_kpa REAL, humidity_ratio_g_kg REAL, absolute_humidity_g_m3 REAL,
        surface_margin_k REAL, readings INTEGER NOT NULL,
        PRIMARY KEY (minute, space)
    ) STRICT, WITHOUT ROWID;

    -- Ten-minute means of minutes that are no longer kept.
    CREATE TABLE air_ten_minutes (
        minute INTEGER NOT NULL, space INTEGER NOT NULL,
        temperature_c REAL, relative_humidity_pct REAL, illuminance_lx REAL,
        dew_point_c REAL, vpd_kpa REAL, humidity_ratio_g_kg REAL, absolute_humidity_g_m3 REAL,
        surface_margin_k REAL, minutes INTEGER NOT NULL,
        PRIMARY KEY (minute, space)
    ) STRICT, WITHOUT ROWID;

    CREATE TABLE checkpoint (minute INTEGER PRIMARY KEY, state BLOB NOT NULL) STRICT;

    CREATE TABLE spell (
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL, space TEXT, sensor TEXT,
        began INTEGER NOT NULL, declared INTEGER NOT NULL, ended INTEGER,
        worst REAL NOT NULL, urgent INTEGER NOT NULL, settled INTEGER
    ) STRICT;
    CREATE INDEX spell_began ON spell (began);
    CREATE INDEX spell_settled ON spell (settled);

    -- What people entered. Nothing is edited: a correction or an undoing is an entry too.
    CREATE TABLE entry (
        id INTEGER PRIMARY KEY, made_ms INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        verb TEXT NOT NULL, arguments TEXT NOT NULL, changes INTEGER REFERENCES entry (id)
    ) STRICT;

    CREATE TABLE notice (
        id INTEGER PRIMARY KEY, made_ms INTEGER NOT NULL, space TEXT, sensor TEXT,
        kind TEXT NOT NULL, part TEXT NOT NULL, weight TEXT NOT NULL,
        title TEXT NOT NULL, body TEXT NOT NULL, place TEXT NOT NULL,
        spell_began INTEGER, seen_ms INTEGER, paused_until_ms INTEGER
    ) STRICT;
    CREATE INDEX notice_spell ON notice (spell_began);
    -- One row a notice and address, written with what caused the notice.
    CREATE TABLE outbox (
        notice INTEGER NOT NULL REFERENCES notice (id), address TEXT NOT NULL,
        sent_ms INTEGER, tries INTEGER NOT NULL DEFAULT 0,
        next_try_ms INTEGER, -- NULL: sent, or refused for good
        failure TEXT,
        PRIMARY KEY (notice, address)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX outbox_waiting ON outbox (next_try_ms) WHERE next_try_ms IS NOT NULL;

    -- What was said of each batch, hour by hour; never changed afterwards.
    CREATE TABLE prospect (
        asked_ms INTEGER NOT NULL, batch INTEGER NOT NULL, state TEXT NOT NULL,
        still_to_lose_pct REAL NOT NULL, moisture_pct_db REAL NOT NULL, p_crisp REAL NOT NULL,
        crisp_p10 INTEGER, crisp_p50 INTEGER, crisp_p90 INTEGER,
        loses_pct_a_day REAL NOT NULL, stalled INTEGER NOT NULL, humidity_needed_pct REAL,
        opening TEXT, light_share REAL NOT NULL, months_left REAL,
        PRIMARY KEY (asked_ms, batch)
    ) STRICT, WITHOUT ROWID;

    CREATE TABLE report (
        week TEXT PRIMARY KEY, made_ms INTEGER NOT NULL, text TEXT NOT NULL, folder TEXT NOT NULL
    ) STRICT, WITHOUT ROWID;
    """,
    """
    -- What was foreseen of each space, hour by hour; never changed afterwards.
    CREATE TABLE ahead (
        asked_ms INTEGER NOT NULL, space INTEGER NOT NULL, horizon_h INTEGER NOT NULL,
        temperature_p10_c REAL NOT NULL, temperature_p50_c REAL NOT NULL,
        temperature_p90_c REAL NOT NULL, humidity_ratio_p10_g_kg REAL NOT NULL,
        humidity_ratio_p50_g_kg REAL NOT NULL, humidity_ratio_p90_g_kg REAL NOT NULL,
        PRIMARY KEY (asked_ms, space, horizon_h)
    ) STRICT, WITHOUT ROWID;

    -- What was told of as likely to come, and what became of it.
    CREATE TABLE foretold (
        space TEXT NOT NULL, kind TEXT NOT NULL, told_ms INTEGER NOT NULL,
        probability REAL NOT NULL, begins INTEGER NOT NULL, stands_until INTEGER NOT NULL,
        closed TEXT,
        PRIMARY KEY (told_ms, space, kind)
    ) STRICT, WITHOUT ROWID;

    -- What each space last taught of how its days go.
    CREATE TABLE lesson (
        space INTEGER PRIMARY KEY, minute INTEGER NOT NULL, lesson BLOB NOT NULL
    ) STRICT;
    -- Air changes an hour, as learned each night.
    CREATE TABLE air_changes (
        minute INTEGER NOT NULL, space INTEGER NOT NULL,
        per_h REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
        PRIMARY KEY (minute, space)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    ALTER TABLE prospect ADD COLUMN p_finishes REAL;
    ALTER TABLE prospect ADD COLUMN if_dry_p50 INTEGER;
    ALTER TABLE prospect ADD COLUMN better_space TEXT;
    ALTER TABLE prospect ADD COLUMN better_left_pct REAL;
    """,
    """
    -- What whole days (UTC) of a space's air came to; see days.py. Worked out at night, and gone as
    -- soon as a minute of the day changes: whoever asks before the next night looks at the minutes.
    CREATE TABLE air_day (
        day INTEGER NOT NULL, space INTEGER NOT NULL, what TEXT NOT NULL,
        lowest INTEGER, highest INTEGER, total REAL NOT NULL, minutes INTEGER NOT NULL,
        PRIMARY KEY (day, space, what)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    -- What the readings of an hour come to, where they are amounts or a total of them; see
    -- amounts.py. It stays when the readings go.
    CREATE TABLE amount_hour (
        hour INTEGER NOT NULL, sensor INTEGER NOT NULL, quantity INTEGER NOT NULL,
        added REAL NOT NULL, grown REAL NOT NULL, readings INTEGER NOT NULL,
        PRIMARY KEY (hour, sensor, quantity)
    ) STRICT, WITHOUT ROWID;
    """,
)
