-- Questions to the days of many sites, as written by
--   drying-room export air --format parquet --into FOLDER       (and batches, and stays)
-- in standard SQL, for any engine that reads Parquet. They expect three tables, air, batches and
-- stays, over the folders of these names, with the folders' site and date as columns; in DuckDB:
--   CREATE VIEW air AS SELECT * FROM
--       read_parquet('FOLDER/air/*/*/*.parquet', hive_partitioning = true);

-- The best space for each flower: most heads good, and of two alike the one with more batches.
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
            100.0 * SUM(heads_good) / SUM(
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

-- Hours out of limits by site: hotter than 32 °C, and damper than 75 %, in the spaces' air.
SELECT
    site,
    SUM(CASE WHEN temperature_c > 32 THEN 1 ELSE 0 END) / 60.0 AS hot_h,
    SUM(CASE WHEN relative_humidity_pct > 75 THEN 1 ELSE 0 END) / 60.0 AS damp_h,
    COUNT(*) / 60.0 AS known_h
FROM air
WHERE space <> 'outdoors'
GROUP BY site
ORDER BY damp_h DESC, site;

-- Losses against load: how hard the air pulled on each finished batch in the mean of its whole days
-- before it was taken down, and what share of its heads went mouldy.
SELECT
    batches.site, batches.batch, batches.flower,
    AVG(by_day.drying_load_kpa_h) AS drying_load_kpa_h_a_day,
    100.0 * COALESCE(MAX(batches.heads_mould), 0)
    / (MAX(batches.heads_good) + COALESCE(MAX(batches.heads_mould), 0)) AS heads_mould_pct
FROM batches
JOIN stays
    ON stays.site = batches.site AND stays.batch = batches.batch
    AND stays.began < batches.taken_down
JOIN (
    SELECT site, space, CAST(date AS DATE) AS a_day, SUM(drying_load_kpa_h) AS drying_load_kpa_h
    FROM air
    GROUP BY site, space, CAST(date AS DATE)
) AS by_day
    ON by_day.site = stays.site AND by_day.space = stays.space
    AND by_day.a_day > CAST(stays.began AS DATE)
    AND by_day.a_day < CAST(COALESCE(stays.ended, batches.taken_down) AS DATE)
WHERE batches.taken_down IS NOT NULL AND batches.heads_good > 0
GROUP BY batches.site, batches.batch, batches.flower
ORDER BY heads_mould_pct DESC, batches.site, batches.batch;
