"""Ask the questions of many-sites.sql over a folder of many sites' days, in DuckDB or Apache Spark.

python config/many_sites.py FOLDER [--spark]

It needs duckdb and pyarrow, or pyspark and pyarrow. A file that cannot be read is named and passed
over. A column that only newer sites have is empty for the others.
"""

from __future__ import annotations

import argparse
import atexit
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

SQL = Path(__file__).with_name("many-sites.sql")
TABLES = ("air", "batches", "stays", "forecasts", "sensors")
WORKERS = "local-cluster[2,1,1024]"  # two processes beside, each with a core and a gigabyte [MB]
LOOPBACK = "127.0.0.1"

Rows = list[tuple[Any, ...]]
Ask = Callable[[str], Rows]


def questions() -> dict[str, str]:
    """Each question's SQL by what it asks: the words before the colon above it."""
    asked = {}
    for piece in SQL.read_text("utf-8").split("\n\n-- ")[1:]:
        named, _, _ = piece.partition(":")
        lines = piece.splitlines()[1:]
        asked[named] = "\n".join(line for line in lines if not line.startswith("--")).rstrip(";\n")
    return asked


def unreadable(folder: Path) -> Iterator[tuple[Path, str]]:
    """The files that are no whole Parquet, with the reason."""
    from pyarrow import ArrowException, parquet

    for file in sorted(folder.glob("*/site=*/date=*/*.parquet")):
        try:
            parquet.read_metadata(file)
        except (ArrowException, OSError) as error:
            yield file, str(error).splitlines()[0]


def in_duckdb(folder: Path, bad: set[Path]) -> Ask:
    """DuckDB over the folder, on this machine."""
    import duckdb

    db = duckdb.connect()
    db.execute("SET enable_progress_bar = false; SET TimeZone = 'UTC'")
    for table in TABLES:
        files: Any = str(folder / table / "*/*/*.parquet")
        if any(folder / table in file.parents for file in bad):
            files = [str(f) for f in (folder / table).glob("*/*/*.parquet") if f not in bad]
        db.read_parquet(files, hive_partitioning=True, union_by_name=True).create_view(table)
    db.read_csv(str(folder / "sites.csv")).create_view("sites")
    return lambda sql: db.execute(sql).fetchall()


def in_spark(folder: Path) -> Ask:
    """Spark over the folder, with two processes beside it, all on loopback."""
    import pyspark
    from pyspark.sql import SparkSession

    os.environ["SPARK_LOCAL_IP"] = LOOPBACK  # its workers read it
    os.environ.setdefault("SPARK_HOME", str(Path(pyspark.__file__).parent))
    settings = {
        "spark.driver.bindAddress": LOOPBACK,
        "spark.driver.host": LOOPBACK,
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.shuffle.partitions": "8",
        "spark.sql.files.ignoreCorruptFiles": "true",
        "spark.sql.parquet.mergeSchema": "true",
    }
    begin = SparkSession.builder.master(WORKERS).appName("many-sites")
    for name, value in settings.items():
        begin = begin.config(name, value)
    spark = begin.getOrCreate()
    atexit.register(spark.stop)
    spark.sparkContext.setLogLevel("ERROR")
    for table in TABLES:
        spark.read.parquet(str(folder / table)).createOrReplaceTempView(table)
    spark.read.csv(str(folder / "sites.csv"), header=True).createOrReplaceTempView("sites")
    return lambda sql: [tuple(row) for row in spark.sql(sql).collect()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--spark", action="store_true", help="ask Spark instead of DuckDB")
    asked = parser.parse_args()
    bad = dict(unreadable(asked.folder))
    for file, why in bad.items():
        print(f"{file} is passed over: {why}", file=sys.stderr)
    ask = in_spark(asked.folder) if asked.spark else in_duckdb(asked.folder, set(bad))
    for named, sql in questions().items():
        print(f"\n{named}:")
        for row in ask(sql):
            print("  " + ", ".join("" if value is None else str(value) for value in row))


if __name__ == "__main__":
    main()
