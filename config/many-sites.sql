-- Questions to the days of many sites, in standard SQL: DuckDB and Apache Spark answer them alike.
--   python config/many_sites.py FOLDER [--spark]      asks them all
-- FOLDER holds what each site's board writes there:
--   drying-room export air --format parquet --into FOLDER
-- and in the same way batches, stays, forecasts and sensors; and a file sites.csv of your
-- own, with the columns site and region. The folders' names, site and date, are columns too.

-- Which rooms lost what, and why: heads lost by cause, beside the hours too hot and too damp there
-- while the batches hung.
WITH lost AS (
    SELECT
        batches.site, stays.space,
        SUM(COALESCE(heads_good, 0)) AS good,
        SUM(COALESCE(heads_mould, 0)) AS mould,
        SUM(COALESCE(heads_opened, 0)) AS opened,
        SUM(COALESCE(heads_faded, 0)) AS faded,
        SUM(COALESCE(heads_shed, 0)) AS shed,
        MIN(stays.began) AS began,
        MAX(batches.taken_down) AS ended
    FROM batches
    JOIN stays
        ON stays.site = batches.site AND stays.batch = batches.batch
        AND stays.ended = batches.taken_down
    WHERE batches.taken_down IS NOT NULL
    GROUP BY batches.site, stays.space
),
passed AS (
    SELECT
        air.site, air.space,
        SUM(CASE WHEN temperature_c > 32 THEN 1 ELSE 0 END) / 60e0 AS hot_h,
        SUM(CASE WHEN relative_humidity_pct > 75 THEN 1 ELSE 0 END) / 60e0 AS damp_h
    FROM air
    JOIN lost
        ON lost.site = air.site AND lost.space = air.space
        AND CAST(air.date AS DATE) >= CAST(lost.began AS DATE)
        AND CAST(air.date AS DATE) <= CAST(lost.ended AS DATE)
    GROUP BY air.site, air.space
)
SELECT
    lost.site, lost.space, mould, opened, faded, shed,
    1e2 * (mould + opened + faded + shed) / (good + mould + opened + faded + shed) AS lost_pct,
    COALESCE(hot_h, 0) AS hot_h, COALESCE(damp_h, 0) AS damp_h
FROM lost
LEFT JOIN passed ON passed.site = lost.site AND passed.space = lost.space
WHERE mould + opened + faded + shed > 0
ORDER BY lost_pct DESC, lost.site, lost.space;

-- Which flower dries best where: most heads good, and of two alike the room with more batches.
SELECT flower, site, space, batches_finished, heads_good_pct
FROM (
    SELECT
        flower, site, space, batches_finished, heads_good_pct,
        ROW_NUMBER() OVER (
            PARTITION BY flower
            ORDER BY heads_good_pct DESC, batches_finished DESC, site, space
        ) AS place
    FROM (
        SELECT
            batches.flower, batches.site, stays.space,
            COUNT(*) AS batches_finished,
            1e2 * SUM(heads_good) / SUM(
                heads_good + COALESCE(heads_mould, 0) + COALESCE(heads_opened, 0)
                + COALESCE(heads_faded, 0) + COALESCE(heads_shed, 0)
            ) AS heads_good_pct
        FROM batches
        JOIN stays
            ON stays.site = batches.site AND stays.batch = batches.batch
            AND stays.began = batches.hung
        WHERE batches.taken_down IS NOT NULL AND batches.heads_good > 0
        GROUP BY batches.flower, batches.site, stays.space
    ) AS by_space
) AS ranked
WHERE place = 1
ORDER BY flower;

-- Whose sensors need a salt test: never tested, or over a year before the newest day there is.
SELECT site, sensor, space, tested
FROM sensors
WHERE tested IS NULL
    OR CAST(tested AS DATE) < (SELECT MAX(CAST(date AS DATE)) FROM air) - INTERVAL '365' DAY
ORDER BY site, sensor;

-- What will be ready within a week of the last word about it: where, and how many bunches.
SELECT batches.site, batches.batch, batches.flower, batches.space, batches.bunches, crisp_p50
FROM batches
JOIN (
    SELECT
        site, batch, asked_at, crisp_p50,
        ROW_NUMBER() OVER (PARTITION BY site, batch ORDER BY asked_at DESC) AS place
    FROM forecasts
) AS said
    ON said.site = batches.site AND said.batch = batches.batch AND said.place = 1
WHERE batches.taken_down IS NULL
    AND crisp_p50 <= said.asked_at + INTERVAL '7' DAY
ORDER BY crisp_p50, batches.site, batches.batch;

-- Hours past limits by region: hotter than 32 °C, and damper than 75 %, in the spaces' air.
SELECT
    region,
    SUM(CASE WHEN temperature_c > 32 THEN 1 ELSE 0 END) / 60e0 AS hot_h,
    SUM(CASE WHEN relative_humidity_pct > 75 THEN 1 ELSE 0 END) / 60e0 AS damp_h,
    COUNT(*) / 60e0 AS known_h
FROM air
JOIN sites ON sites.site = air.site
WHERE space <> 'outdoors'
GROUP BY region
ORDER BY damp_h DESC, region;
